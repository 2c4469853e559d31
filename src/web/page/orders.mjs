// SPDX-License-Identifier: GPL-3.0-or-later
// Orders to a stand, each a button that says beside itself what went wrong.

import { ask, h } from "./dom.mjs";
import { part, post } from "./api.mjs";
import { showStand } from "./live.mjs";

export function orderButton(text, path, attributes = {}, body = undefined, refused = undefined) {
  const said = h("span", { role: "status", class: "small" });
  const button = h("button", { type: "button", ...attributes, onclick: async () => {
    button.disabled = true;
    said.textContent = "";
    try {
      showStand(await post(path, body));
    } catch (problem) {
      said.textContent = problem.message;
      await refused?.(problem, said);
    }
    button.disabled = false;
  } }, text);
  return [button, said];
}

/** The battery that was asked for is connected. Where the stand doubts it, a person who
 *  knows better says so once more. */
export function confirmButton(text, stand, battery) {
  const path = `/v1/stands/${part(stand)}/confirm`;
  return orderButton(text, path, { class: "main" }, { battery }, async (problem, said) => {
    const doubt = problem.message.match(/^(.*); if it is right: ampledger confirm .* --anyway$/);
    if (!doubt) return;
    said.textContent = doubt[1];
    if (!await ask(`Is it really ${battery}?`, h("p", null, doubt[1]), "It is right: begin")) return;
    try {
      showStand(await post(path, { battery, anyway: true }));
      said.textContent = "";
    } catch (again) {
      said.textContent = again.message;
    }
  });
}
