// SPDX-License-Identifier: GPL-3.0-or-later
// Orders to a stand, each a button that says beside itself what went wrong.

import { ask, h, note } from "./dom.mjs";
import { get, part, post } from "./api.mjs";
import { showStand } from "./live.mjs";
import { units } from "./words.mjs";

/** `done` gets the answer, `refused` what was said against it. */
export function orderButton(text, path, { done, refused, body, ...attributes } = {}) {
  const said = h("span", { role: "status", class: "small" });
  const button = h("button", { type: "button", ...attributes, onclick: async () => {
    button.disabled = true;
    said.textContent = "";
    try {
      const answer = await post(path, body);
      showStand(answer);
      done?.(answer);
    } catch (problem) {
      said.textContent = problem.message;
      await refused?.(problem, said);
    }
    button.disabled = false;
  } }, text);
  return [button, said];
}

/** Whoever begins a run by its row has seen no plan: what its plan warns of is told now. */
async function tellWarnings({ begun }, battery) {
  if (!begun) return;
  const { plan } = await get(`/v1/runs/${part(begun)}`).catch(() => ({})); // else the run's own page tells
  if (plan?.warnings?.length > 0) await ask(`${battery} has begun`, note("warn", "Think of this", plan.warnings.map(units)), null);
}

/** The battery that was asked for is connected. Where the stand doubts it, a person who
 *  knows better says so once more. */
export function confirmButton(text, stand, battery) {
  const path = `/v1/stands/${part(stand)}/confirm`;
  const done = (answer) => tellWarnings(answer, battery);
  return orderButton(text, path, { class: "main", body: { battery }, done, refused: async (problem, said) => {
    const doubt = problem.message.match(/^(.*); if it is right: ampledger confirm .* --anyway$/);
    if (!doubt) return;
    said.textContent = doubt[1];
    if (!await ask(`Is it really ${battery}?`, h("p", null, doubt[1]), "It is right: begin")) return;
    try {
      const answer = await post(path, { battery, anyway: true });
      showStand(answer);
      said.textContent = "";
      done(answer);
    } catch (again) {
      said.textContent = again.message;
    }
  } });
}
