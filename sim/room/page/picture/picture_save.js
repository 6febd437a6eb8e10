/** The picture as it is shown, as a file of its own: the pixels that were traced, without what is noted over them. */

/**
 * A picture of what print and veil show together, at the size of the print.
 * @param {HTMLCanvasElement} print
 * @param {HTMLElement | null} veil another version that lies over it, cut by its clip path
 */
export function shownPicture(print, veil) {
  const { width, height } = print;
  const canvas = Object.assign(document.createElement("canvas"), { width, height });
  const context = canvas.getContext("2d");
  context.drawImage(print, 0, 0);
  const other = /** @type {HTMLCanvasElement | null} */ (veil?.querySelector("canvas") ?? null);
  if (veil && other && !veil.hidden) {
    const cut = /inset\(0px ([\d.]+)% /.exec(getComputedStyle(veil).clipPath);
    const columns = Math.round(width * (1 - (cut ? Number(cut[1]) : 0) / 100));
    context.beginPath();
    context.rect(0, 0, columns, height);
    context.clip();
    context.drawImage(other, 0, 0, width, height);
  }
  return canvas;
}

/**
 * Offer the shown picture as a PNG file.
 * @param {Room} room
 */
export function savePicture(print, room) {
  const { store } = room;
  const { view } = store.get();
  if (!view || !print.shown) return store.say("There is no picture yet.", "refused");
  const canvas = shownPicture(print.canvas, print.area.querySelector(".veil"));
  const stem = (view.file ?? "picture").split("/").pop().replace(/\.ya?ml$/, "");
  canvas.toBlob((blob) => {
    const href = URL.createObjectURL(blob);
    const link = Object.assign(document.createElement("a"), { href, download: `${stem}.png` });
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10_000);
    const rough = print.shown.pass_name === "settled" ? "" : ", not settled yet";
    store.say(`Saved as ${stem}.png, ${canvas.width} x ${canvas.height} pixels${rough}.`);
  }, "image/png");
}
