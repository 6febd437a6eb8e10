// Bring the page to life.
startBar();
startPictures();
startScatter();
startHeat();
startTable();
$("dialog").addEventListener("click", (event) => {
  if (event.target === $("dialog")) $("dialog").close();
});
$("dialog").addEventListener("keydown", (event) => {
  if (event.key === "ArrowLeft") $("sheet-before")?.click();
  if (event.key === "ArrowRight") $("sheet-after")?.click();
});
// Fetch pictures out of view too before they are printed.
addEventListener("beforeprint", () =>
  document.querySelectorAll("img[loading=lazy]").forEach((image) => {
    image.loading = "eager";
  }),
);
refilter();
