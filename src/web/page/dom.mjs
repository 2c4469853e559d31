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

/** columns: [{name, n: is a number}], lines: lists of values. cards: on a narrow screen each
 *  line becomes a card; the roles are said, since a table laid out otherwise loses its own. */
export function table(caption, columns, lines, { cards = false } = {}) {
  const role = (name) => cards ? name : null;
  return h("div", { class: cards ? "scroll cards" : "scroll", tabindex: "0", role: "region", "aria-label": caption },
    h("table", { role: role("table") }, h("caption", null, caption),
      h("thead", { role: role("rowgroup") }, h("tr", { role: role("row") }, columns.map((c) =>
        h("th", { scope: "col", role: role("columnheader"), class: c.n ? "n" : null }, c.name)))),
      h("tbody", { role: role("rowgroup") }, lines.map((line) => h("tr", { role: role("row") }, line.map((value, i) =>
        i === 0 ? h("th", { scope: "row", role: role("rowheader"), "data-name": columns[i].name }, value)
          : h("td", { role: role("cell"), class: columns[i].n ? "n" : null, "data-name": columns[i].name }, value)))))));
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

/** A question with a button; resolves to true or false. */
export function ask(title, content, yes) {
  return new Promise((resolve) => {
    const id = `dialog-${++fields}`;
    const dialog = h("dialog", { "aria-labelledby": id }, h("h2", { id }, title), content,
      h("div", { class: "buttons" },
        h("button", { class: "main", onclick: () => dialog.close("yes") }, yes),
        h("button", { onclick: () => dialog.close("") }, "Not now")));
    dialog.addEventListener("close", () => {
      dialog.remove();
      resolve(dialog.returnValue === "yes");
    });
    document.body.append(dialog);
    dialog.showModal();
  });
}
