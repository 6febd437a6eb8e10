/** The ruled card: readings of standard and pinned points, by light and together, at the dials as they stand. */
import { el } from "../../../web/elements.js";
import { refusalText } from "../link.js";
import { deskOf } from "../picture/picture_desk.js";
import { lightTag, numbersOf, setAttribute, setText } from "../picture/picture_elements.js";
import { fNumberText, ratioText, stopsText } from "../picture/picture_words.js";
import { amountText, keyToShadow, lightingRatio, pointReading } from "../../../web/meter.js";
import { mount as mountNoseShadow } from "./nose_shadow.js";
import { mount as mountWarnings } from "./warnings.js";
import { mount as mountWishes } from "./wishes.js";

const FIRST = ["key-side cheek", "shadow-side cheek", "face", "upper gown", "upper suit", "backdrop centre"];
const SEEN_FROM = 0.005;

/** @param {Room} room */
export function mount(place, room) {
  const { store } = room;
  const desk = deskOf(room);
  const card = el("div", { class: "pane-body readings-card" });
  place.append(card);
  const settings = el("p", { class: "card-settings" });
  const stale = el("p", { class: "card-stale", role: "status" });
  const ratio = el("dl", { class: "card-ratio" });
  const byLight = el("button", { type: "button", class: "small quiet", "aria-pressed": "true", text: "By light" });
  const all = el("button", { type: "button", class: "small quiet", "aria-pressed": "false", text: "All points" });
  const lux = el("button", { type: "button", class: "small quiet", "aria-pressed": "false", text: "lx, lx·s" });
  lux.title = "Tell the light itself: lx of continuous light, lx·s of flash";
  const reads = el("th", { scope: "col", text: "meter" }),
    over = el("th", { scope: "col" });
  const table = el(
    "table",
    { class: "card-table" },
    el(
      "thead",
      {},
      el(
        "tr",
        {},
        el("th", { scope: "col", text: "point" }),
        reads,
        over,
        el("th", {
          scope: "col",
          text: "how it comes out",
          title: "Stops from middle grey in the picture, by a spot meter from the camera",
        }),
      ),
    ),
  );
  const empty = el("p", { class: "note card-empty", text: "The meters are being read." });
  const face = el("section", { class: "face-note", "aria-label": "Nose shadow" });
  const wishes = el("section", { class: "wishes", "aria-label": "Wishes" });
  const warnings = el("section", { class: "warnings", "aria-label": "Warnings" });
  card.append(
    el(
      "header",
      { class: "card-head" },
      settings,
      el("div", { class: "card-views" }, byLight, all, lux, stale),
    ),
    ratio,
    face,
    table,
    empty,
    wishes,
    warnings,
  );
  const toggle = (button) => () => {
    setAttribute(button, "aria-pressed", button.getAttribute("aria-pressed") !== "true");
    planned ||= requestAnimationFrame(show);
  };
  // Rows wait for an open menu to be closed.
  table.addEventListener(
    "toggle",
    () => {
      planned ||= requestAnimationFrame(show);
    },
    true,
  );
  byLight.addEventListener("click", toggle(byLight));
  all.addEventListener("click", toggle(all));
  lux.addEventListener("click", toggle(lux));
  const asked = mountWishes(wishes, room);
  mountWarnings(warnings, room);
  const showNoseShadow = mountNoseShadow(face);

  let rows = [];
  let built = "";
  let planned = 0;

  /** Points in the card's order: those that tell most, then the rest if wanted, then the pinned ones. */
  function points() {
    const { view, meters } = store.get();
    const known = meters?.points ?? [];
    const wanted =
      all.getAttribute("aria-pressed") === "true"
        ? known.filter((point) => !point.own)
        : FIRST.map((name) => known.find((point) => point.name === name)).filter(Boolean);
    const pinned = (view.meters ?? []).map(
      ({ name, kind, at_m }) =>
        known.find((point) => point.own && point.name === name) ?? {
          name,
          label: name,
          kind,
          at_m,
          own: true,
          waiting: true,
        },
    );
    return [...wanted, ...pinned];
  }

  function show() {
    planned = 0;
    const { view, meters } = store.get();
    if (!view) return;
    const { exposure } = view;
    const list = points();
    const numbers = numbersOf(view);
    const key = JSON.stringify([
      list.map(({ name, own }) => [name, own]),
      view.lights.map(({ name, colour }) => [name, colour]),
    ]);
    if (key !== built && !place.querySelector(".point-menu[open]")) {
      built = key;
      table.querySelectorAll("tbody").forEach((body) => body.remove());
      rows = list.map((point) => pointRow(point, view, numbers, room, asked));
      table.append(...rows.map(({ body }) => body));
    }
    const weights = desk.weights();
    const isOn = (button) => button.getAttribute("aria-pressed") === "true";
    const flashes = view.lights.map(({ is_flash }) => is_flash);
    const heard = view.lights.map(({ name }) => weights[name].some((weight) => weight > 0));
    const amounts = (values, of, spot) => {
      const asked = of === undefined ? heard : heard.map((on, k) => on && k === of);
      return amountText(values, flashes, asked, exposure.shutter_s, spot);
    };
    for (const row of rows) {
      const point = list.find(({ name, own }) => name === row.name && !!own === row.own);
      const reading = point && !("waiting" in point) ? pointReading(point, weights, exposure) : null;
      if (point) row.show(reading, point, isOn(byLight), isOn(lux) ? amounts : null);
    }
    setText(settings, `${exposure.aperture} · ${exposure.shutter} · ISO ${exposure.iso_value ?? exposure.iso}`);
    setText(over, isOn(lux) ? "light" : `from ${exposure.aperture.split(" ")[0]}`);
    over.title = isOn(lux) ? lux.title : "Stops over (+) or under (−) the f-number that is set";
    empty.hidden = !!meters;
    table.hidden = !list.length;
    showRatio(meters, weights, exposure);
    showNoseShadow(meters, view.geometry);
    const old = !!meters && meters.geometry !== undefined && meters.geometry !== view.geometry;
    card.classList.toggle("is-old", old);
    setText(stale, old ? "older, being read anew" : meters?.is_rough ? "rough, settles at rest" : "");
  }

  /** @param {Exposure} exposure */
  function showRatio(meters, weights, exposure) {
    const found = meters && keyToShadow(meters.points, weights, exposure);
    if (!found) {
      ratio.hidden = true;
      return;
    }
    const key = meters.key?.light;
    const line = (term, strong, rest) => [
      el("dt", { text: term }),
      el("dd", {}, el("b", {}, ...strong), rest ? ` ${rest}` : ""),
    ];
    const even = Math.abs(found.stops) < 0.05;
    const filled = key ? lightingRatio(meters.alone, key, weights, exposure.luminance) : null;
    const over = filled ? filled.over_stops : 0;
    const way = `${Math.abs(over).toFixed(1)} stops ${over < 0 ? "under" : "over"}`;
    ratio.hidden = false;
    const parts = [
      ...line(
        "Lighting ratio",
        [filled ? ratioText(Math.log2(filled.factor)) : "no fill"],
        filled ? `${key} + ${filled.fill} : ${filled.fill}; ${key} ${way} ${filled.fill}` : key ? `${key} alone` : "",
      ),
      ...line(
        "Contrast of the cheeks",
        [ratioText(found.stops)],
        even ? "no difference" : `${Math.abs(found.stops).toFixed(1)} stops`,
      ),
      ...line("Shadow side", fNumberNodes(fNumberText(found.shadow.f_number)), stopsWords(found.shadow.over_stops)),
      ...(key
        ? line("Key", [key], meters.key.alike ? "both cheeks alike" : `from the ${sideOf(meters.key.lit_cheek)}`)
        : []),
    ];
    const text = parts.map((part) => part.textContent).join("|");
    if (ratio.dataset.text !== text) {
      ratio.dataset.text = text;
      ratio.replaceChildren(...parts);
    }
  }

  const follow = store.calm(() => {
    planned ||= requestAnimationFrame(show);
  });
  desk.follow(follow, ["meters"]);
}

const sideOf = (cheek) => (cheek?.startsWith("left") ? "left" : "right");

function stopsWords(stops) {
  if (!Number.isFinite(stops)) return "dark";
  if (Math.abs(stops) < 0.05) return "as set";
  return `${Math.abs(stops).toFixed(1)} ${stops > 0 ? "over" : "under"}`;
}

/** An f-number with its tenths raised, as meters show it. */
function fNumberNodes(text) {
  const [mark, tenths] = text.startsWith("f/") ? text.split(" ") : [text];
  if (!tenths) return [mark];
  const count = tenths.replace("/10", "");
  return [
    mark,
    el("sup", { "aria-hidden": "true", text: count }),
    el("span", { class: "unseen", text: ` and ${count} tenths` }),
  ];
}

function fillFNumber(cell, value) {
  const text = fNumberText(value);
  if (cell.dataset.text === text) return;
  cell.dataset.text = text;
  cell.replaceChildren(...fNumberNodes(text));
}

/** @param {Room} room */
function pointRow(point, view, numbers, room, asked) {
  const { name } = point;
  const f = el("td", { class: "reads", "data-reads": true }),
    over = el("td", { "data-over": true });
  const grey = el("td", { "data-grey": true });
  const bar = el("div", { class: "share-bar", "aria-hidden": "true" });
  const segments = view.lights.map((light) => {
    const segment = el("i", { "data-light": light.name });
    segment.style.setProperty("--tag", light.colour);
    return segment;
  });
  bar.append(...segments);
  const chips = view.lights.map((light) => {
    const stops = el("span", { "data-stops": true });
    const chip = el(
      "button",
      {
        type: "button",
        class: "alone quiet",
        "data-light": light.name,
        onclick: () => room.store.select(`light:${light.name}`),
      },
      lightTag(light, numbers[light.name]),
      stops,
    );
    return { name: light.name, chip, stops };
  });
  const list = el("div", { class: "alones" }, ...chips.map(({ chip }) => chip));
  const body = el(
    "tbody",
    { "data-point": name },
    el("tr", {}, el("th", { scope: "row" }, pointMenu(point, room, asked)), f, over, grey),
    el("tr", { class: "by-light" }, el("td", { colspan: 4 }, bar, list)),
  );

  if (point.own) {
    // Name the point on the print while its row is looked at.
    const pointTo = (pointed) => () => room.store.update({ pointed });
    for (const event of ["pointerenter", "focusin"]) body.addEventListener(event, pointTo(name));
    for (const event of ["pointerleave", "focusout"]) body.addEventListener(event, pointTo(null));
  }

  /** `amounts(values, light)` in words where the light itself is told, else null. */
  function show(reading, now, open, amounts) {
    body.classList.toggle("waiting", !reading);
    if (!reading) {
      f.replaceChildren("\u2026", el("span", { class: "unseen", text: "being read" }));
      setText(over, "");
      setText(grey, "");
      f.dataset.text = "";
      list.hidden = bar.hidden = true;
      return;
    }
    const { together, lights } = reading;
    fillFNumber(f, together.f_number);
    const values = lights.map(({ exposure }) => exposure);
    const spot = now.kind === "spot";
    const told = amounts ? amounts(values, undefined, spot) : stopsText(together.over_stops);
    setText(over, amounts || together.over_stops !== null ? told : "");
    setText(grey, together.from_grey_stops === null ? "" : stopsText(together.from_grey_stops));
    f.title = `${f.dataset.text}, standard error ${together.stderr_stops.toFixed(2)} stops`;
    bar.hidden = !(together.exposure > 0);
    list.hidden = !open;
    lights.forEach((light, k) => {
      segments[k].style.flexGrow = String(light.share);
      const { chip, stops } = chips[k];
      const alone = spot ? light.from_grey_stops : light.over_stops;
      chip.hidden = light.share < SEEN_FROM;
      setText(stops, amounts ? amounts(values, k, spot) : stopsText(alone));
      const what = spot ? "from middle grey" : "from the set f-number";
      const share = `${Math.round(100 * light.share)} % of the light`;
      const stated = amounts ? stops.textContent : `${stopsText(alone)} stops ${what}`;
      const said = `${light.name} alone: ${stated}, ${share}`;
      setAttribute(chip, "aria-label", said);
      setAttribute(chip, "title", said);
    });
  }
  return { name, own: !!point.own, body, show };
}

/** A point's name, and what can be done with it: wish for a reading, rename, unpin. */
function pointMenu(point, { store, link }, asked) {
  const { name, own } = point;
  const close = () => {
    menu.open = false;
  };
  const wish = el("button", {
    type: "button",
    class: "quiet small",
    text: "Wish for a reading here",
    onclick: () => {
      close();
      asked.wishFor(name);
    },
  });
  const kindText = own ? ` · ${point.kind}` : "";
  const menu = el(
    "details",
    { class: "point-menu" },
    el("summary", { text: point.label ?? name, title: `${point.label ?? name}${kindText}` }),
    el("div", { class: "menu-slip" }, wish, ...(own ? ownParts() : [])),
  );
  menu.addEventListener("toggle", () => {
    if (menu.open) menu.querySelector(".menu-slip").scrollIntoView({ block: "nearest" });
  });
  menu.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && menu.open) {
      event.stopPropagation();
      close();
      menu.querySelector("summary").focus();
    }
  });
  menu.addEventListener("focusout", (event) => {
    if (event.relatedTarget instanceof Node && !menu.contains(event.relatedTarget)) close();
  });

  function ownParts() {
    const field = el("input", { type: "text", value: name, maxlength: 40, "aria-label": `New name of ${name}` });
    const rename = async () => {
      const wanted = field.value.trim();
      const meter = store.get().view.meters.find((each) => each.name === name);
      if (!wanted || wanted === name || !meter) return;
      // A point of this name would be written over.
      const taken = store.get().view.meters.some((each) => each.name === wanted);
      const answer = taken
        ? { type: "refused", text: `there is a point "${wanted}" already; choose another name` }
        : await link.edit(renaming(meter, wanted), null, { quiet: true });
      refused.textContent = answer.type === "refused" ? refusalText(answer.text) : "";
      if (answer.type === "refused") return;
      close();
    };
    const refused = el("p", { class: "error", role: "alert" });
    field.addEventListener("keydown", (event) => {
      if (event.key === "Enter") rename();
    });
    return [
      el(
        "span",
        { class: "menu-row" },
        field,
        el("button", { type: "button", class: "small", text: "Rename", onclick: rename }),
      ),
      refused,
      el("button", {
        type: "button",
        class: "quiet small danger",
        text: "Unpin",
        onclick: () => {
          close();
          link.edit([{ op: "unpin", name }]);
        },
      }),
    ];
  }
  return menu;
}

/** Edits that give a meter point another name: one step of undo. */
export function renaming(meter, wanted) {
  const { name, kind, at_m, block } = meter;
  const made = block ? { op: "set", path: ["meters", wanted], value: block } : { op: "pin", name: wanted, at_m, kind };
  return [{ op: "unpin", name }, made];
}
