/**
 * The connection to halfstop is lost: say so plainly, keep hands off what would not be kept, and go back by itself once
 * halfstop answers again. A new run has a new address: `/back/NONCE` on this page's own port tells it to who holds the
 * key that came over the socket, and proves that it is halfstop who tells it; see sim/room/way_back.py.
 */
import { el } from "../../../web/elements.js";

const SAID_AFTER_MS = 1200;
const ASK_EVERY_MS = 1000;
const RETURN_TO = "halfstop-return-to";
const encoder = new TextEncoder();

const hex = (bytes) => Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
const bytesFromHex = (text) => Uint8Array.from(text.match(/../g) ?? [], (pair) => parseInt(pair, 16));

/** @type {(key: string, hash: string, told: string) => Promise<Uint8Array>} */
async function mac(key, hash, told) {
  const imported = await crypto.subtle.importKey("raw", bytesFromHex(key), { name: "HMAC", hash }, false, ["sign"]);
  return new Uint8Array(await crypto.subtle.sign("HMAC", imported, encoder.encode(told)));
}

/**
 * Where halfstop answers now, or null: nobody is there, or it is not the one that holds the key.
 * @param {string} key in hex
 * @returns {Promise<URL | null>}
 */
export async function newAddress(key) {
  const nonce = hex(crypto.getRandomValues(new Uint8Array(16)));
  const answer = await fetch(`/back/${nonce}`)
    .then((response) => (response.ok ? response.json() : null))
    .catch(() => null);
  if (!answer) return null;
  const told = `${nonce}|${answer.salt}|${location.port}`;
  if (hex(await mac(key, "SHA-256", `proof|${told}`)) !== answer.proof) return null;
  const pad = await mac(key, "SHA-512", `token|${told}`);
  const token = String.fromCharCode(...bytesFromHex(answer.sealed).map((byte, at) => byte ^ pad[at]));
  return new URL(`/${token}/`, location.href);
}

/** The set that a page which came back was on, told once. */
export function setToReturnTo() {
  const path = sessionStorage.getItem(RETURN_TO);
  sessionStorage.removeItem(RETURN_TO);
  return path;
}

/**
 * Show that the connection is lost, until the page finds its way back or `isBack` says that it is there again.
 * @param {{key: string, command: string}} back
 * @param {{path?: string | null, isBack?: () => boolean}} [options] `path` of the open set
 */
export function showLost(back, { path = null, isBack = () => false } = {}) {
  if (document.getElementById("lost")) return;
  const box = el(
    "section",
    { id: "lost", popover: "manual", role: "alert", "aria-label": "Connection lost" },
    el("h2", {}, "Connection lost"),
    el(
      "p",
      {},
      "halfstop has ended, or does not answer. What you see is the last state; nothing can be changed until it is " +
        "back. Changes that were not saved are kept, and are offered when the set is opened again.",
    ),
    el("p", {}, "If it does not come back by itself, start it again in the terminal:"),
    el("code", {}, back.command || "halfstop open"),
    el("p", { class: "lost-state" }, "This page goes on by itself as soon as halfstop answers."),
  );
  document.body.append(box);
  box.showPopover?.();
  const held = ["main", "header"].map((each) => document.querySelector(`body > ${each}`)).filter(Boolean);
  for (const each of held) each.inert = true;
  document.body.classList.add("lost");

  async function look() {
    if (isBack()) {
      box.remove();
      for (const each of held) each.inert = false;
      document.body.classList.remove("lost");
      return;
    }
    const address = back.key ? await newAddress(back.key) : null;
    const isOther = address && !location.href.startsWith(address.href);
    if (isOther && path) sessionStorage.setItem(RETURN_TO, path);
    if (isOther) location.replace(address);
    else setTimeout(look, ASK_EVERY_MS);
  }
  look();
}

/**
 * Follow the set's connection.
 * @param {Element} element
 * @param {Room} room
 */
export function mount(element, { store }) {
  let timer = 0;
  store.subscribe(
    ({ link, view }) => {
      if (link === "open") {
        clearTimeout(timer);
        timer = 0;
      } else if (view && !timer) {
        // A moment without a connection is no loss.
        timer = setTimeout(
          () => showLost(view.back, { path: view.file, isBack: () => store.get().link === "open" }),
          SAID_AFTER_MS,
        );
      }
    },
    ["link", "view"],
  );
}
