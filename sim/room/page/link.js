/** The WebSocket to the server: reconnects, numbers requests, throttles gestures so that none queues up. */

const WAITS_MS = [300, 700, 1500, 3000, 5000];
const ANSWER_WITHIN_MS = 4000;
// Leaves the page's thread to the drawing between two edits.
const GESTURE_EVERY_MS = 20;
// What is asked of the work so far, so that the last edit of a gesture goes first.
const FOLLOWS = ["undo", "redo", "save"];
// Other messages carry ids of their own, such as an export's.
const ANSWERS = ["done", "refused", "wishes"];

/** A refusal in one line, without its key in the file, which means nothing to who does not edit it. */
const lineOf = ({ what, expected, cure }) =>
  [what, expected && `expected ${expected}`, cure].filter(Boolean).join("; ");

/** The line as a sentence of its own, without the file that it names first. */
export const refusalText = (text) => {
  const line = String(text).replace(/^\S*\.ya?ml:\s*/, "");
  return line.charAt(0).toUpperCase() + line.slice(1);
};

/**
 * @param store the page's store; it receives every message
 * @param {string} url of the socket
 */
export function connect(store, url = new URL("room", location.href).href.replace(/^http/, "ws")) {
  let socket = null;
  let tries = 0;
  let last = 0;
  let closing = false;
  const waiting = new Map();

  function open() {
    store.update({ link: "connecting" });
    socket = new WebSocket(url);
    socket.addEventListener("open", () => {
      if (tries) store.say("Connected again.");
      tries = 0;
      store.update({ link: "open" });
    });
    socket.addEventListener("message", (event) => take(JSON.parse(event.data)));
    socket.addEventListener("close", () => {
      for (const [id, entry] of waiting)
        settle(id, entry, { type: "refused", id, text: "The connection broke before this was done." });
      if (closing) return;
      if (!tries) store.say("No connection to halfstop: the last state is shown. Trying again.", "refused");
      store.update({ link: "closed" });
      setTimeout(open, WAITS_MS[Math.min(tries++, WAITS_MS.length - 1)]);
    });
  }

  function take(message) {
    if (message.type === "refused") message.text = lineOf(message);
    store.receive(message);
    if (message.type === "refused" && (message.id ?? null) === null) store.say(refusalText(message.text), "refused");
    if (ANSWERS.includes(message.type) && waiting.has(message.id)) settle(message.id, waiting.get(message.id), message);
  }

  function settle(id, entry, message) {
    waiting.delete(id);
    clearTimeout(entry.timer);
    if (message.type === "refused" && !entry.quiet) store.say(refusalText(message.text), "refused");
    entry.resolve(message);
  }

  /**
   * Send a request.
   * @param {string} type of the request
   * @param {object} fields of it; `quiet` keeps a refusal off the notice line, for who shows it elsewhere
   * @returns {Promise<any>} the message that answers: {type: "refused", text} where nothing was changed
   */
  function ask(type, fields = {}, { quiet = false } = {}) {
    const id = ++last;
    if (socket?.readyState !== WebSocket.OPEN) {
      const message = { type: "refused", id, text: "No connection to halfstop: this was not done." };
      if (!quiet) store.say(message.text, "refused");
      return Promise.resolve(message);
    }
    return new Promise((resolve) => {
      const entry = { resolve, quiet };
      // A late answer is no refusal: the state will come.
      entry.timer = setTimeout(() => settle(id, entry, { type: "late", id }), ANSWER_WITHIN_MS);
      waiting.set(id, entry);
      socket.send(JSON.stringify({ type, id, ...fields }));
    });
  }

  /** Apply edits as one undo step; calls with the same `merge` fold into one. */
  const edit = (edits, merge = null, options = {}) => ask("edit", { edits, merge }, options);

  /** Gestures whose edits are being sent. @type {Set<Promise<void>>} */
  const underWay = new Set();

  /**
   * A gesture such as a drag or a fader move: `push` sends throttled edits, the newest winning; `end` sends the last;
   * `cancel` takes back what was sent. `hold` patches are shown at once and let go when the server has answered.
   */
  function gesture(name) {
    const key = `${name}:${Date.now().toString(36)}:${++last}`;
    let newest = null;
    let busy = false;
    let sent = 0;
    let over = false;
    let idle = Promise.resolve();

    async function run() {
      busy = true;
      while (newest) {
        const edits = newest;
        newest = null;
        const answer = await edit(edits, key);
        if (answer.type !== "refused") sent += 1;
        if (newest && !over) await new Promise((resolve) => setTimeout(resolve, GESTURE_EVERY_MS));
      }
      busy = false;
    }

    function push(edits, patch = null) {
      if (over) return;
      if (patch) store.hold(key, patch);
      newest = edits;
      if (busy) return;
      idle = run();
      underWay.add(idle);
      idle.finally(() => underWay.delete(idle));
    }

    async function end(edits = null, patch = null) {
      if (edits) push(edits, patch);
      over = true;
      await idle;
      store.release(key);
      return sent;
    }

    async function cancel() {
      over = true;
      newest = null;
      await idle;
      if (sent) await ask("undo");
      store.release(key);
    }

    return {
      key,
      push,
      end,
      cancel,
      get over() {
        return over;
      },
    };
  }

  addEventListener("pagehide", () => {
    closing = true;
    socket?.close();
  });
  addEventListener("pageshow", (event) => {
    if (event.persisted) {
      closing = false;
      open();
    }
  });
  open();
  return {
    ask: async (type, ...others) => {
      if (FOLLOWS.includes(type)) await Promise.all(underWay);
      return ask(type, ...others);
    },
    edit,
    gesture,
  };
}
