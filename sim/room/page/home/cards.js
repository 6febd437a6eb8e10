/** The cards of the start page: a picture, what it is called, and a line. */
import { el } from "../../../web/elements.js";

const picture = (url, without = "no picture yet") =>
  el(
    "span",
    { class: "card-picture" },
    url ? el("img", { src: url, alt: "", loading: "lazy" }) : el("span", { class: "card-blank" }, without),
  );

/**
 * A set-up to start from.
 * @param {StartCardView} start
 * @param {(start: StartCardView) => void} call
 */
export const startCard = (start, call) =>
  el(
    "button",
    { type: "button", class: "card", "data-start": start.name, onclick: () => call(start) },
    picture(start.picture, start.is_lit ? undefined : "nothing lit yet"),
    el("strong", {}, start.called),
    el("span", { class: "note" }, start.text),
  );

/**
 * A set of the user's own.
 * @param {SetCardView} card
 * @param {(card: SetCardView) => void} call
 */
export function setCard(card, call) {
  const line = card.fault ? `Cannot be opened: ${card.fault}` : `${card.name}, ${when(card.changed_s)}`;
  return el(
    "button",
    {
      type: "button",
      class: "card",
      "data-set": card.name,
      title: `${card.folder}/${card.name}`,
      disabled: Boolean(card.fault),
      onclick: () => call(card),
    },
    picture(card.picture),
    el("strong", {}, card.title),
    el("span", { class: card.fault ? "error" : "note" }, line),
  );
}

const DAY_S = 86400;

/** When a file was changed, in words that a person would use. */
export function when(changed_s, now_s = Date.now() / 1000) {
  const midnight_s = new Date(now_s * 1000).setHours(0, 0, 0, 0) / 1000;
  const at = new Date(changed_s * 1000);
  const clock = at.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
  if (changed_s >= midnight_s) return `today ${clock}`;
  if (changed_s >= midnight_s - DAY_S) return `yesterday ${clock}`;
  return at.toLocaleDateString([], { day: "numeric", month: "short", year: "numeric" });
}
