/** The build-up: light after light fades in and stands a while; slow and smooth, nothing flashes. */
import { byId, count, lights, set } from "./data.js";
import { desk } from "./desk.js";

let player = 0;
const dark = () => new Array(count).fill(0);
const say = (text) => { byId("build-play").textContent = text; };

export function leaveBuildUp() {
  if (player) cancelAnimationFrame(player);
  player = 0;
  desk.update({ shown: null, step: 0 });
  byId("build-told").textContent = "";
  say("Play build-up");
}

function buildTo(step, then) {
  const from = desk.get().shown ?? dark();
  const to = dark();
  set.order.slice(0, step).forEach((k) => { to[k] = 1; });
  desk.update({ step });
  const name = step ? lights[set.order[step - 1]].name : "";
  byId("build-told").textContent = step ? `${step} of ${set.order.length}: ${step > 1 ? "+ " : ""}${name}` : "dark";
  const start = performance.now(), fade = matchMedia("(prefers-reduced-motion: reduce)").matches ? 1 : 900;
  if (player) cancelAnimationFrame(player);
  const tick = (time) => {
    const t = Math.min(Math.max((time - start) / fade, 0), 1), s = t * t * (3 - 2 * t);
    desk.update({ shown: to.map((v, k) => from[k] + (v - from[k]) * s) });
    if (t < 1) player = requestAnimationFrame(tick);
    else if (then && time - start < fade + 1300) player = requestAnimationFrame(tick);
    else { player = 0; if (then) then(); }
  };
  player = requestAnimationFrame(tick);
}

function play() {
  if (player) {
    cancelAnimationFrame(player);
    player = 0;
    say("Play on");
    return;
  }
  say("Pause");
  const next = () => {
    if (desk.get().step < set.order.length) buildTo(desk.get().step + 1, next);
    else say("Play again");
  };
  if (desk.get().step >= set.order.length || !desk.get().shown) desk.update({ step: 0, shown: dark() });
  next();
}

export function wireBuildUp() {
  byId("build-play").addEventListener("click", play);
  byId("build-next").addEventListener("click", () => {
    if (!desk.get().shown) desk.update({ shown: dark() });
    say("Play on");
    buildTo((desk.get().step % set.order.length) + 1);
  });
  byId("build-leave").addEventListener("click", leaveBuildUp);
}
