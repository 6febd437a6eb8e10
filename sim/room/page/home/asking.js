/** What the start page asks of the server. */
import { refusalText } from "../link.js";
import { showLost } from "./lost.js";

/** What the page was told of its way back. */
export const known = { back: { key: "", command: "" } };

/**
 * Ask the server; what it refuses becomes a line. Where nobody answers, the page says so and finds its way back.
 * @param {string} path below this page's own address
 * @param {object | null} [body] what to send; without, the request only asks
 * @returns {Promise<{answer?: any, refused?: string}>}
 */
export async function ask(path, body = null) {
  let response;
  try {
    response = await fetch(
      path,
      body ? { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) } : {},
    );
  } catch {
    showLost(known.back);
    return { refused: "No connection to halfstop: this was not done." };
  }
  const answer = response.headers.get("Content-Type")?.startsWith("application/json") ? await response.json() : {};
  return response.ok ? { answer } : { refused: refusalText(answer.text ?? "this page is out of date; load it again") };
}
