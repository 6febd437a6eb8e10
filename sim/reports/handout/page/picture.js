/** The measuring point and the wipe, by pointer and by keys on the picture. */
import { byId, height, width } from "./data.js";
import { desk } from "./desk.js";

const within = (value, low, high) => Math.min(Math.max(value, low), high);
const WAYS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

/** Listen to the picture; `showPoint` is called when the measuring point was moved. */
export function wirePicture(showPoint) {
  const picture = byId("picture");
  const pin = (x, y) => {
    desk.update({ pinned: [within(x, 0, width - 1), within(y, 0, height - 1)] });
    showPoint();
  };
  const pinUnder = (event) => {
    const box = picture.getBoundingClientRect();
    pin(Math.floor(((event.clientX - box.left) / box.width) * width),
      Math.floor(((event.clientY - box.top) / box.height) * height));
  };
  let isDragging = false;
  picture.addEventListener("pointerdown", (event) => {
    const box = picture.getBoundingClientRect();
    const { compare, wipe } = desk.get();
    isDragging = compare && Math.abs((event.clientX - box.left) / box.width - wipe) < 24 / box.width;
    if (isDragging) picture.setPointerCapture(event.pointerId);
    else pinUnder(event);
  });
  picture.addEventListener("pointermove", (event) => {
    if (!isDragging) {
      if (event.pointerType !== "touch" || event.buttons) pinUnder(event);
      return;
    }
    const box = picture.getBoundingClientRect();
    const wipe = within((event.clientX - box.left) / box.width, 0, 1);
    byId("wipe").value = Math.round(100 * wipe);
    desk.update({ wipe });
  });
  picture.addEventListener("pointerup", () => { isDragging = false; });
  picture.addEventListener("keydown", (event) => {
    const way = WAYS[event.key];
    if (!way) return;
    event.preventDefault();
    const far = Math.round((event.shiftKey ? 0.1 : 0.01) * height);
    const [x, y] = desk.get().pinned ?? [width >> 1, height >> 1];
    pin(x + far * way[0], y + far * way[1]);
  });
}
