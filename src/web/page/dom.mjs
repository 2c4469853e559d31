// SPDX-License-Identifier: GPL-3.0-or-later
// Elements made from values: no text of anybody's ever becomes markup.

/** h("p", {class: "x", onclick: f}, "text", element, [more], null) */
export function h(name, attributes, ...children) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(attributes ?? {})) {
    if (value === null || value === undefined || value === false) continue;
    if (key.startsWith("on")) {
      element.addEventListener(key.slice(2), value);
      element.acts = true;
    }
    else if (key === "value") element.value = value;
    else element.setAttribute(key, value === true ? "" : value);
  }
  put(element, children);
  return element;
}

function put(element, children) {
  for (const child of children.flat(Infinity)) {
    if (child !== null && child !== undefined && child !== false) element.append(child);
  }
}

export function fill(element, ...children) {
  element.replaceChildren();
  put(element, children);
}

function isSame(old, fresh) {
  if (old.nodeType !== fresh.nodeType || old.nodeName !== fresh.nodeName) return false;
  // What acts is the same only when it says the same: its action stays with it.
  return !(old.acts || fresh.acts) || old.textContent === fresh.textContent;
}

function renewOne(old, fresh) {
  if (!isSame(old, fresh)) {
    old.replaceWith(fresh);
  } else if (old.nodeType === Node.TEXT_NODE) {
    if (old.data !== fresh.data) old.data = fresh.data;
  } else if (!old.acts && old.getAttribute("role") !== "status") {
    for (const name of old.getAttributeNames()) {
      if (!fresh.hasAttribute(name) && name !== "open") old.removeAttribute(name);
    }
    for (const name of fresh.getAttributeNames()) {
      if (old.getAttribute(name) !== fresh.getAttribute(name)) old.setAttribute(name, fresh.getAttribute(name));
    }
    renewAll(old, [...fresh.childNodes]);
  }
}

function renewAll(element, fresh) {
  const old = [...element.childNodes];
  fresh.forEach((node, i) => i < old.length ? renewOne(old[i], node) : element.append(node));
  old.slice(fresh.length).forEach((node) => node.remove());
}

/** As fill(), but what is the same stays the same element: a touch that began before an
 *  update ends on what it began on; focus and open details stay. */
export function renew(element, ...children) {
  const fresh = document.createElement("div");
  put(fresh, children);
  renewAll(element, [...fresh.childNodes]);
}

/** A list of rows "name ... figure". Rows without a figure are left out. */
export function rows(list) {
  return h("dl", { class: "rows" }, list
    .filter(([, value]) => value !== null && value !== undefined && value !== "")
    .map(([name, value]) => [h("dt", null, name), h("dd", null, value)]));
}

/** columns: [{name, n: is a number, keep: never in two lines where there is room}], lines: lists of values. cards: on a narrow screen each
 *  line becomes a card; the roles are said, since a table laid out otherwise loses its own. */
export function table(caption, columns, lines, { cards = false } = {}) {
  const role = (name) => cards ? name : null;
  const kind = (c) => c.n ? "n" : c.keep ? "keep" : null;
  return h("div", { class: cards ? "scroll cards" : "scroll", tabindex: "0", role: "region", "aria-label": caption },
    h("table", { role: role("table") }, h("caption", null, caption),
      h("thead", { role: role("rowgroup") }, h("tr", { role: role("row") }, columns.map((c) =>
        h("th", { scope: "col", role: role("columnheader"), class: kind(c) }, c.name)))),
      h("tbody", { role: role("rowgroup") }, lines.map((line) => h("tr", { role: role("row") }, line.map((value, i) =>
        i === 0 ? h("th", { scope: "row", role: role("rowheader"), class: kind(columns[i]), "data-name": columns[i].name }, value)
          : h("td", { role: role("cell"), class: kind(columns[i]), "data-name": columns[i].name }, value)))))));
}

/** A time that programs can read; pointed at, it tells the very second. */
export function timeOf(utc, text) {
  return utc ? h("time", { datetime: utc, title: utc.replace("T", " ").replace(/(\.\d+)?Z$/, " UTC") }, text) : text;
}

export function sheet(title, ...children) {
  return h("section", { class: "sheet" }, title && h("h2", null, title), children);
}

/** kind: "bad", "warn" or "". */
export function note(kind, title, sentences) {
  if (!sentences || sentences.length === 0) return null;
  return h("div", { class: `note ${kind ? "note-" + kind : ""}` }, h("p", null, h("strong", null, title)),
    h("ul", null, sentences.map((s) => h("li", null, s))));
}

let fields = 0;
export function field(name, control, hint) {
  const id = `field-${++fields}`;
  control.id = id;
  if (hint) control.setAttribute("aria-describedby", `${id}-hint`);
  return h("div", { class: "field" }, h("label", { for: id }, name), control,
    hint && h("span", { class: "hint", id: `${id}-hint` }, hint));
}

/** A paper opens beside the page, so that what stops a run and what alarms stay in sight. */
export function paperLink(path) {
  return h("a", { class: "button", href: path, target: "_blank", rel: "noopener" }, "Report to print or send");
}

let answer = null; // closes the question that is open

/** A question with a button; resolves to true or false. What stops a run and what alarms
 *  stay in reach and are read out while it is open: only the view behind it is inert.
 *  `yes` null: there is nothing to answer, it is to be read only. */
export function ask(title, content, yes) {
  answer?.(false);
  const id = `dialog-${++fields}`;
  const before = document.activeElement;
  const behind = [...document.querySelectorAll("main, .top")];
  const no = h("button", { type: "button", class: yes ? null : "main", onclick: () => answer(false) }, yes ? "Not now" : "I read it");
  const dialog = h("dialog", { "aria-labelledby": id }, h("h2", { id }, title), content,
    h("div", { class: "buttons" }, yes && h("button", { type: "button", class: "main", onclick: () => answer(true) }, yes), no));
  const onKey = (event) => {
    if (event.key === "Escape") answer(false);
    else if (event.key === "Enter" && event.repeat && dialog.contains(event.target)) event.preventDefault(); // a key held down answers nothing
  };
  const onLeave = () => answer(false);
  // Between the alarms and what stops, whatever there is of them.
  const ahead = document.querySelector(".ahead"), foot = document.querySelector(".foot");
  const place = () => {
    const top = Math.max(0, ahead.getBoundingClientRect().bottom), bottom = foot.getBoundingClientRect().top;
    Object.assign(dialog.style, { top: `${top}px`, bottom: `${innerHeight - bottom}px`, maxHeight: `${Math.max(120, bottom - top - 16)}px` });
  };
  const placing = new ResizeObserver(place);
  document.querySelector("main").after(dialog);
  behind.forEach((element) => { element.inert = true; });
  dialog.show();
  place();
  [ahead, foot, document.documentElement].forEach((element) => placing.observe(element));
  addEventListener("scroll", place);
  addEventListener("resize", place);
  (dialog.querySelector("input, select, textarea") ?? no).focus();
  document.addEventListener("keydown", onKey);
  addEventListener("hashchange", onLeave);
  return new Promise((resolve) => {
    answer = (said) => {
      answer = null;
      document.removeEventListener("keydown", onKey);
      removeEventListener("hashchange", onLeave);
      removeEventListener("scroll", place);
      removeEventListener("resize", place);
      placing.disconnect();
      behind.forEach((element) => { element.inert = false; });
      dialog.remove();
      before?.focus?.();
      resolve(said);
    };
  });
}
