/** Frames from the server: the newest one's layers, loaded as a whole before anything of it is shown. */

/** Where a frame's part lies; every address hangs on the page's own. */
const address = (serial, ...rest) =>
  new URL(["frame", serial, ...rest].map(encodeURIComponent).join("/"), document.baseURI);

async function bytes(url, signal) {
  const answer = await fetch(url, { signal });
  if (!answer.ok) throw new Error(`${answer.status} for ${url.pathname}`);
  return answer.arrayBuffer();
}

/** @type {(frame: Frame, kind: string, signal?: AbortSignal) => Promise<Uint16Array<ArrayBuffer>[]>} */
const layersOf = (frame, kind, signal) =>
  Promise.all(frame.names.map(async (name) => new Uint16Array(await bytes(address(frame.serial, name, kind), signal))));

/**
 * A frame's layers for viewing; undefined when the server has let go of it.
 * @param {Frame} message
 * @param {AbortSignal} [signal]
 */
export async function viewLayers(message, signal) {
  const layers = await layersOf(message, "view", signal);
  const { serial, width, height, names } = message;
  const wanted = 3 * width * height;
  if (layers.some((layer) => layer.length !== wanted)) throw new Error(`frame ${serial} has layers of another size`);
  return { serial, width, height, names, layers, scale: message.scale.view };
}

/**
 * What is measured in a frame: raw layers, the parts seen, distances.
 * @param {Frame} message
 * @param {AbortSignal} [signal]
 */
export async function measuredLayers(message, signal) {
  const [layers, region, distance] = await Promise.all([
    layersOf(message, "raw", signal),
    bytes(address(message.serial, "region"), signal).then((found) => new Uint8Array(found)),
    bytes(address(message.serial, "distance"), signal).then((found) => new Float32Array(found)),
  ]);
  const { serial, width, height, names, regions, camera } = message;
  return { serial, width, height, names, regions, camera, layers, scale: message.scale.raw, region, distance };
}

/**
 * Load every frame that the store hears of; a newer one ends the loading of an older.
 * @param store the page's
 * @param {{shown: function, measured: function}} take called with a whole frame, then with what is measured in it
 */
export function followFrames(store, { shown, measured }) {
  let under = null;
  let last = null;
  return store.subscribe(
    async ({ frame }) => {
      if (!frame || frame === last) return;
      last = frame;
      under?.abort();
      under = new AbortController();
      const { signal } = under;
      try {
        shown(await viewLayers(frame, signal), frame);
        measured(await measuredLayers(frame, signal), frame);
      } catch (error) {
        // A newer frame has taken this one's place, here or on the server.
        if (signal.aborted || store.get().frame !== frame) return;
        console.warn(`frame ${frame.serial} was not loaded: ${error}`);
      }
    },
    ["frame"],
  );
}

/**
 * The layers of moved lights by name, as they came with their message.
 * @param {Live} live
 * @returns {Map<string, {layer: Uint16Array, scale: number}>}
 */
export function liveLayers({ names, scale, width, height, halves }) {
  const each = 3 * width * height;
  if (halves.length !== each * names.length) throw new Error("live layers are of another size");
  return new Map(names.map((name, k) => [name, { layer: halves.subarray(k * each, (k + 1) * each), scale: scale[k] }]));
}
