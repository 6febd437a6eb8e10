// Bring the page to life.
import { startBar } from "./bar.js";
import { startBest } from "./best.js";
import { byId } from "./data.js";
import { startTray } from "./dialogs.js";
import { startHeat } from "./heat.js";
import { startPictures } from "./pictures.js";
import { startScatter } from "./scatter.js";
import { refilter } from "./state.js";
import { startTable } from "./table.js";

startTray();
startBest();
startBar();
startPictures();
startScatter();
startHeat();
startTable();
byId("dialog").addEventListener("click", (event) => {
  if (event.target === byId("dialog")) byId("dialog").close();
});
byId("dialog").addEventListener("keydown", (event) => {
  if (event.key === "ArrowLeft") byId("sheet-before")?.click();
  if (event.key === "ArrowRight") byId("sheet-after")?.click();
});
// Fetch pictures out of view too before they are printed.
addEventListener("beforeprint", () =>
  document.querySelectorAll("img[loading=lazy]").forEach((image) => {
    image.setAttribute("loading", "eager");
  }),
);
refilter();
