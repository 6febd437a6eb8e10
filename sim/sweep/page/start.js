// Bring the page to life.
startBar();
startPictures();
startScatter();
startHeat();
startTable();
$("dialog").addEventListener("click", (event) => { if (event.target === $("dialog")) $("dialog").close(); });
$("dialog").addEventListener("keydown", (event) => {
  if (event.key === "ArrowLeft") $("sheet-before")?.click();
  if (event.key === "ArrowRight") $("sheet-after")?.click();
});
document.body.classList.add("live");
refilter();
