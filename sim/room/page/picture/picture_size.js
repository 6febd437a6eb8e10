/** How large the picture is shown, told to the server once hands and window rest: it is traced at just that size. */

const RESTS_MS = 400;
const LEAST_PX = 240,
  MOST_PX = 1600;

/** @param {Room} room */
export function followSize({ store, link }, print) {
  let told = 0;
  let resting = 0;

  /** Long side in pixels of the screen, of the whole picture in its window. */
  function longSidePx() {
    const { width, height } = print.pane.getBoundingClientRect();
    return Math.round(Math.max(width, height) * devicePixelRatio);
  }

  function later() {
    clearTimeout(resting);
    resting = setTimeout(tell, RESTS_MS);
  }

  async function tell() {
    // An enlarged picture lies in the same window; nothing is known of one that is folded away.
    const wanted = Math.min(Math.max(longSidePx(), LEAST_PX), MOST_PX);
    const { link: state, held, view } = store.get();
    if (!view || state !== "open" || print.figure.matches(".zoomed") || !print.pane.clientWidth) return;
    if (Object.keys(held).length) return later();
    if (wanted === told) return;
    told = wanted;
    await link.ask("picture_size", { long_side_px: wanted }, { quiet: true });
  }

  new ResizeObserver(later).observe(print.pane);
  store.subscribe(
    ({ link: state }) => {
      if (state !== "open") told = 0;
      later();
    },
    ["link"],
  );
}
