// SPDX-License-Identifier: GPL-3.0-or-later
// Who looks: where the daemon wants a token, a form for it; who it belongs to, and the way out.

import { field, fill, h } from "./dom.mjs";
import { get, post } from "./api.mjs";

/** Until a right token was entered. `place` is filled with the form meanwhile. */
function askToken(place, said) {
  return new Promise((resolve) => {
    const token = h("input", { type: "password", name: "token", autocomplete: "current-password", autocapitalize: "none",
      spellcheck: "false", required: true });
    const keep = h("input", { type: "checkbox", name: "keep" });
    const why = h("p", { role: "alert", class: "small fail" }, said);
    const button = h("button", { class: "main", type: "submit" }, "Go on");
    const enter = async (event) => {
      event.preventDefault();
      button.disabled = true;
      why.textContent = "";
      try {
        await post("/v1/session", { token: token.value.trim().toLowerCase(), keep: keep.checked });
        resolve();
      } catch (problem) {
        why.textContent = problem.message;
        token.focus();
      }
      button.disabled = false;
    };
    fill(place, h("h1", null, "This bench asks for a token"), h("section", { class: "sheet" },
      h("p", null, "It is made on the computer of the bench, and shown there once: ", h("code", null, "ampledger token make NAME --may change")),
      h("form", { onsubmit: enter, autocomplete: "on" },
        h("input", { type: "text", name: "username", autocomplete: "username", value: "ampledger", hidden: true }),
        field("Token", token), h("p", null, h("label", null, keep, " Stay here for 180 days")), h("p", { class: "buttons" }, button), why)));
    token.focus();
  });
}

/** Resolves to who looks, after asking for a token if one is needed. Other troubles are for
 *  those to tell who ask next: null. */
export async function signIn(place) {
  for (;;) {
    try {
      return await get("/v1/session");
    } catch (problem) {
      if (problem.status !== 401 && problem.status !== 429) return null;
      await askToken(place, "");
    }
  }
}

/** For the head of the page; nothing where no token is needed. */
export function whoLooks(session) {
  if (!session?.name) return null;
  const leave = async () => {
    await post("/v1/session/end", {}).catch(() => {});
    location.reload();
  };
  return [h("span", null, session.name, session.may === "read" ? " (may look, not change)" : ""), " ",
    h("button", { type: "button", class: "small-button", onclick: leave }, "Leave")];
}
