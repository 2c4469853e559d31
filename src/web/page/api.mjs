// SPDX-License-Identifier: GPL-3.0-or-later
// The daemon's API. Every change goes as JSON, as it asks.

export class Problem extends Error {
  constructor(status, detail) {
    super(detail);
    this.status = status;
  }
}

async function ask(path, options) {
  let answer;
  try {
    answer = await fetch(path, { cache: "no-store", ...options });
  } catch (why) {
    throw new Problem(0, why.name === "TimeoutError" ? "There was no answer in time."
      : "The daemon does not answer. What is shown may be old.");
  }
  const text = await answer.text();
  let body = null;
  try {
    body = JSON.parse(text);
  } catch {
    throw new Problem(answer.status, "The answer cannot be read.");
  }
  if (!answer.ok) throw new Problem(answer.status, body.detail ?? answer.statusText);
  return body;
}

export function get(path) {
  return ask(path);
}

/** within_ms: how long an answer is waited for; left out: as long as the browser does. */
export function post(path, body, within_ms) {
  return ask(path, {
    method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body ?? {}),
    ...(within_ms ? { signal: AbortSignal.timeout(within_ms) } : {}),
  });
}

/** Answers may overtake each other: only that of what was asked for last counts. One for
 *  each thing that is shown. */
export class Newest {
  constructor() {
    this.asked = 0;
    this.open = 0;
  }

  /** Resolves to null, also in place of an error, when something was asked for since. */
  async of(question) {
    const mine = ++this.asked;
    this.open++;
    try {
      const answer = await question;
      return mine === this.asked ? answer : null;
    } catch (problem) {
      if (mine === this.asked) throw problem;
      return null;
    } finally {
      this.open--;
    }
  }

  /** What is on its way is not wanted any more. Was anything? */
  forget() {
    this.asked++;
    return this.open > 0;
  }
}

/** null where this daemon does not have it. */
export async function getIfThere(path) {
  try {
    return await get(path);
  } catch (problem) {
    if (problem.status === 404) return null;
    throw problem;
  }
}

/** One part of an address: names of batteries may hold anything but a slash. */
export function part(name) {
  return encodeURIComponent(name);
}
