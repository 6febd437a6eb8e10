/** The WebSocket to the server: reconnects, numbers requests, shows what a hand holds so that nothing queues up. */

const WAITS_MS = [300, 700, 1500, 3000, 5000];
const ANSWER_WITHIN_MS = 4000;
// A hand that holds still for so long has found a place: it is written, kept by the journal, and traced.
const REST_MS = 400;
// What is on its way to the server may be this long before the next place of a hand is left out.
const MOST_BUFFERED = 4096;
// What stands elsewhere while a hand moves it; dials and the like are mixed here.
const POSES = ["move", "aim", "turn"];
// What is asked of the work so far, so that the last edit of a gesture goes first.
const FOLLOWS = ["undo", "redo", "save"];
// Other messages carry ids of their own, such as an export's.
const ANSWERS = ["done", "refused", "wishes"];

/** A refusal in one line, without its key in the file, which means nothing to who does not edit it. */
const lineOf = ({ what, expected, cure }) =>
  [what, expected && `expected ${expected}`, cure].filter(Boolean).join("; ");

/** @param {Edit} edit */
const isPose = ({ op }) => POSES.includes(op);

/**
 * The layers of a moved light, and what they are: see `Packed` in the room's protocol.
 * @param {ArrayBuffer} data
 */
function unpacked(data) {
  const length = new DataView(data).getUint32(0, true);
  const told = JSON.parse(new TextDecoder().decode(new Uint8Array(data, 4, length)));
  return { ...told, halves: new Uint16Array(data, 4 + length) };
}

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
    socket.binaryType = "arraybuffer";
    socket.addEventListener("open", () => {
      if (tries) store.say("Connected again.");
      tries = 0;
      store.update({ link: "open" });
    });
    socket.addEventListener("message", ({ data }) => {
      take(typeof data === "string" ? JSON.parse(data) : unpacked(data));
    });
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
    if (message.type === "hand") marked(message);
    store.receive(message);
    if (message.type === "refused" && (message.id ?? null) === null) store.say(refusalText(message.text), "refused");
    if (ANSWERS.includes(message.type) && waiting.has(message.id)) settle(message.id, waiting.get(message.id), message);
  }

  /** Say whether what a hand holds can stand there. */
  function marked(message) {
    if (message.what) store.say(refusalText(lineOf(message)), "refused");
    else if (store.get().hand?.what) store.say("");
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

  /** Send what is not answered; nothing where that would queue up behind what was sent before. */
  function tell(type, fields = {}) {
    if (socket?.readyState !== WebSocket.OPEN || socket.bufferedAmount > MOST_BUFFERED) return;
    socket.send(JSON.stringify({ type, ...fields }));
  }

  /**
   * A gesture such as a drag or a fader move: `push` shows where the hand is, `end` writes the last of it into the
   * scene, `cancel` takes it back. Until then the server is shown what stands elsewhere, once for each picture of the
   * display, and changes nothing; a hand that rests is written too. `hold` patches are shown at once and let go when
   * the server has answered.
   */
  function gesture(name) {
    const key = `${name}:${Date.now().toString(36)}:${++last}`;
    /** @type {Edit[] | null} */
    let newest = null;
    let written = null;
    let sent = 0;
    let over = false;
    let frame = 0;
    let rest = 0;
    let isShown = false;
    let idle = Promise.resolve();

    function show() {
      const poses = newest.filter(isPose);
      if (!poses.length) return;
      isShown = true;
      tell("hand", { poses });
    }

    /** Show the newest at once, or with the display's next picture where one was shown since the last. */
    function showSoon() {
      if (frame) return;
      const before = newest;
      show();
      frame = requestAnimationFrame(() => {
        frame = 0;
        if (!over && newest !== before) showSoon();
      });
    }

    function write() {
      clearTimeout(rest);
      if (!newest || newest === written) return;
      const edits = newest;
      written = edits;
      idle = idle.then(async () => {
        const answer = await edit(edits, key);
        if (answer.type !== "refused") sent += 1;
      });
      const mine = idle;
      underWay.add(mine);
      mine.finally(() => underWay.delete(mine));
    }

    function push(edits, patch = null) {
      if (over) return;
      if (patch) store.hold(key, patch);
      newest = edits;
      showSoon();
      clearTimeout(rest);
      rest = setTimeout(write, REST_MS);
    }

    function close() {
      over = true;
      clearTimeout(rest);
      cancelAnimationFrame(frame);
    }

    async function end(edits = null, patch = null) {
      if (patch && !over) store.hold(key, patch);
      if (edits && !over) newest = edits;
      close();
      write();
      await idle;
      store.release(key);
      return sent;
    }

    async function cancel() {
      close();
      await idle;
      if (sent) await ask("undo");
      else if (isShown) tell("let_go");
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
    /** Say that a live picture has been drawn, so that another may come. */
    drawn: (serial) => tell("drawn", { serial }),
  };
}
