"use strict";
// The picture of the whole yard, the lamps of the sensors, and what a person may choose from.
const spreads = new Map(all("[data-spread]").map((element) => [element.dataset.spread, element]));
const edges = all("[data-edge]"), loads = new Map(all("[data-load]").map((element) => [element.dataset.load, element]));
const SIGN = { empty: "\u2013", unsure: "?", unheard: "\u00b7" };
const fits = (text, most) => (text.length <= most ? text : `\u2026${text.slice(1 - most)}`);

function chipped(element, slot) {
  const cls = `chipped ${looks(slot)}`;
  if (element.getAttribute("class") !== cls) element.setAttribute("class", cls);
  put(element.querySelector("text"), slot.is === "box" ? fits(slot.box, 7) : SIGN[slot.is]);
}
function pictured(kind, key, value) {
  const name = key.slice(kind.length + 1);
  if (kind === "place") {
    const element = spreads.get(name);
    value.slots.forEach((slot, number) => chipped(element.querySelector(`[data-stands="${number}"]`), slot));
    put(element.querySelector(".guest"), fits(value.guest, 14));
    element.classList.toggle("away", !value.here);
    const stops = JSON.parse(element.dataset.stops);
    if (!stops.length) return;
    const mover = element.querySelector(".mover"), half = Number(element.dataset.width) / 2;
    const at = new Map(stops).get(value.at), middle = stops.reduce((sum, [, x]) => sum + x, 0) / stops.length;
    mover.style.transform = `translate(${(at === undefined ? middle : at) - half}px, ${mover.dataset.y}px)`;
  } else if (kind === "crane" && loads.has(name)) {
    chipped(loads.get(name), { is: { box: "box", unsure: "unsure", none: "empty" }[value.load], box: value.box || "?", old: !value.sure });
  }
}
// Who works with whom: the order of a job says between which places.
function together() {
  const busy = new Set();
  for (const [key, job] of model) if (key.startsWith("job/") && job.open) for (const place of job.places) busy.add(`${job.node}/${place}`);
  for (const edge of edges) edge.classList.toggle("busy", busy.has(edge.dataset.edge));
}

function sensorsRow(value, key) {
  const lamps = make("ul", { cls: "lamps" });
  for (const [sensor, closed] of value.sensors) {
    const lamp = make("li", { cls: closed ? "lamp-on" : "lamp-off" });
    lamp.append(make("span", { cls: "bulb" }), make("span", { text: sensor }), make("span", { cls: "state", text: closed ? "closed" : "open" }));
    lamps.append(lamp);
  }
  return [make("h3", { text: key.slice(8) }), value.old ? make("p", { cls: "small", text: "by an old message" }) : null, lamps];
}

// ---- choices: boxes that somebody has named, and the slots of the place that is chosen
function boxesNow() {
  const known = new Set();
  for (const [key, value] of model) {
    if (key.startsWith("place/")) for (const slot of value.slots) if (slot.is === "box") known.add(slot.box);
    if (key.startsWith("crane/") && value.box) known.add(value.box);
  }
  return [...known].sort();
}
function renewBoxes() {
  const names = boxesNow(), text = names.join("\n"), list = $("boxes");
  if (!list || list.dataset.text === text) return;
  list.dataset.text = text;
  list.replaceChildren(...names.map((name) => { const made = make("option"); made.value = name; return made; }));
}
function slotsOf(place) { return Array.from({ length: facts.slots[place] || 0 }, (_, slot) => String(slot)); }
function choiceOfSlots(select, place, none) {
  const before = select.value, slots = none ? ["", ...slotsOf(place)] : slotsOf(place);
  select.replaceChildren(...slots.map((slot) => { const made = make("option", { text: slot || "\u2013" }); made.value = slot; return made; }));
  if (slots.includes(before)) select.value = before;
}
// In the form of an order a slot belongs to the place that is chosen beside it.
function choicesOfOrder(order) {
  const inputs = new Map(order.fields.map((field) => [field.name, $("fields").querySelector(`[name="${CSS.escape(field.name)}"]`)]));
  for (const [name, select] of inputs) {
    if (name.endsWith("_slot")) {
      const place = inputs.get(name.slice(0, -5));
      const renew = () => choiceOfSlots(select, place.value, place.value === "");
      place.addEventListener("change", renew);
      renew();
    } else if (name === "box") select.setAttribute("list", "boxes");
  }
}
function takesOfTrain() {
  const place = facts.tracks[$("train-berth").value];
  $("train-slots").replaceChildren(...slotsOf(place).map((slot) => {
    const line = make("label", { text: `Slot ${slot} takes ` }), input = make("input");
    Object.assign(input, { maxLength: 12, pattern: "[A-Za-z0-9\\-]*", autocomplete: "off", placeholder: "nothing" });
    input.dataset.slot = slot;
    input.setAttribute("list", "boxes");
    line.append(input);
    return line;
  }));
}
