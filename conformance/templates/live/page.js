"use strict";
// Keeps a copy of the server's model, key by key, and draws what changed. Text of others only ever becomes text.
const facts = JSON.parse(document.getElementById("facts").textContent);
const model = new Map();
const $ = (id) => document.getElementById(id);
const all = (query, inside = document) => [...inside.querySelectorAll(query)];

function make(tag, { cls = "", text = "", title = "", at = null } = {}) {
  const made = document.createElement(tag);
  if (cls) made.className = cls;
  if (title) made.title = title;
  if (at !== null) { made.dataset.at = at; made.textContent = age(at); } else made.textContent = text;
  return made;
}

function put(element, text) { if (element.textContent !== text) element.textContent = text; }

// ---- time: the server's clock, and how old a thing is by it
let ahead = 0, heardAt = 0;
const now = () => performance.now() + ahead;
function age(at) {
  const s = Math.max(0, (now() - at) / 1000);
  return s < 10 ? `${s.toFixed(1)} s ago` : s < 90 ? `${Math.round(s)} s ago` : s < 5400 ? `${Math.round(s / 60)} min ago` : `${Math.round(s / 3600)} h ago`;
}
const clock = (at) => `${(at / 1000).toFixed(2)} s`;

// ---- the drawing
const drawn = new Map();
for (const element of all("[data-key]")) drawn.set(element.dataset.key, [...(drawn.get(element.dataset.key) || []), element]);

function colour(label) {
  let sum = 0;
  for (const letter of label) sum = (sum * 31 + letter.codePointAt(0)) % 997;
  return `c${sum % 5}`;
}
const looks = (spot) => `${spot.is}${spot.is === "box" ? ` ${colour(spot.box)}` : ""}${spot.old ? " old" : ""}`;
const SHORT = { empty: "\u2013" };
const WORD = { box: "", empty: "empty", unsure: "?", unheard: "" };

function label(element, text) {
  element.dataset.full = text;
  fit(element);
}
function fit(element) {
  const full = element.dataset.full || "";
  const px = Number(element.ownerSVGElement.dataset.px || 1.4);
  const most = Math.max(1, Math.floor(Number(element.dataset.fit) / (px * 6.6)));
  put(element, full.length <= most ? full : SHORT[full] || `\u2026${full.slice(1 - most || full.length)}`);
}
function move(element, x, y) { if (element) element.style.transform = `translate(${x}px, ${y}px)`; }

const draw = {
  spot(element, spot) {
    const held = spot.here ? spot : { ...spot, is: "empty" };
    const [x, y, z] = spot.at, plan = element.dataset.view === "plan", tier = Number(element.dataset.tier || 0);
    element.setAttribute("class", `spot ${looks(held)}${spot.here ? "" : " away"}`);
    element.setAttribute("transform", plan ? `translate(${x + 4 * tier} ${y - 4 * tier})` : `translate(${x} ${z})`);
    label(element.querySelector("text"), spot.is === "box" ? spot.box : WORD[spot.is]);
  },
  carrier(element, carrier) {
    element.classList.toggle("away", !carrier.here);
    const rect = element.querySelector("rect");
    rect.setAttribute("x", carrier.from);
    rect.setAttribute("width", carrier.to - carrier.from);
  },
  crane(element, crane) {
    const plan = element.dataset.view === "plan";
    element.classList.toggle("known", crane.at !== null);
    element.classList.toggle("doubt", !crane.sure);
    if (crane.at === null) return;
    const [x, y, z] = crane.at;
    move(element.querySelector(".gantry"), x, 0);
    move(element.querySelector(".trolley"), x, plan ? y : z);
    const rope = element.querySelector(".rope");
    if (rope) rope.setAttribute("d", `M0 -14V${z}`);
    const target = element.querySelector(".target"), load = element.querySelector(".load");
    if (!load) return;
    target.classList.toggle("none", crane.to === null);
    if (crane.to) target.setAttribute("transform", `translate(${crane.to[0]} ${plan ? crane.to[1] : crane.to[2]})`);
    const spot = { is: { box: "box", unsure: "unsure", none: "empty" }[crane.load], box: crane.box || "?" };
    load.setAttribute("class", `spot load ${looks(spot)}`);
    label(load.querySelector("text"), spot.is === "box" ? spot.box : WORD[spot.is]);
  },
};

function place(name, value) {
  const card = placed.get(name);
  value.slots.forEach((slot, number) => {
    const chip = card.querySelector(`[data-slot="${number}"]`);
    chip.className = `chip ${looks(slot)}`;
    put(chip, slot.is === "box" ? slot.box : slot.is === "unheard" ? "not heard" : slot.is);
  });
  const blocked = value.state === "blocked" ? `blocked: ${value.why}` : "";
  put(card.querySelector(".says"), [value.says, blocked].filter(Boolean).join("; "));
}

// ---- lists: one row a key, made again when its value changed, kept in the order of `rank`
const MOOD = { done: "rest", on: "rest", ready: "rest", ordered: "motion", accepted: "motion", running: "motion", bench: "held", "not heard": "held", cancelled: "held" };
const state = (word) => make("span", { cls: `word ${MOOD[word] || "trouble"}`, text: word });
function named(requirement) {
  return make("abbr", { text: requirement, title: facts.rules[requirement] || "" });
}
const rows = {
  job: (job) => [
    state(job.state), make("b", { text: job.node }), make("span", { text: job.words }),
    job.step ? make("span", { text: `now: ${job.step}` }) : null, job.reason ? make("span", { text: `because ${job.reason}` }) : null,
    make("span", { cls: "age", at: job.open ? job.began : job.ended }),
  ],
  trouble: (one) => [
    make("span", { cls: `word ${one.kind === "held" ? "held" : one.rank < 3 ? "trouble" : "held"}`, text: one.kind }),
    make("b", { text: one.node }), make("span", { text: one.says }), one.do ? make("span", { cls: "more", text: `What to do: ${one.do}` }) : null,
  ],
  hold: (one, key) => [
    make("span", { cls: `word ${one.late ? "trouble" : "held"}`, text: one.late ? "not held yet" : "held" }), make("b", { text: key.slice(5) }),
    one.by ? make("span", { text: `by ${one.by}` }) : null, make("span", { cls: one.late ? "bad" : "", text: one.says }), one.resume ? resume([key.slice(5)]) : null, make("span", { cls: "age", at: one.at }),
  ],
  goal: goalRow, withdrawn: withdrawnRow, question: (question, key) => [make("span", { text: question.text }), answers(question, Number(key.split("/")[1]))],
  node(node, key) {
    const name = key.slice(5), top = make("div", { cls: "top" }), counts = make("dl");
    top.append(make("h3", { text: name }), state(node.state));
    const lines = [
      ["last message", null, node.heard], ["messages", node.messages], ["boot", node.boot === null ? "not heard" : node.boot], ["boots seen", node.boots],
      ["lost on the way", node.lost, null, node.lost], ["not valid", node.invalid, null, node.invalid], ["broken together", node.broken, null, node.broken],
    ];
    for (const [term, text, at = null, bad = 0] of lines) {
      const cell = make("dd", { text: at === null && text === null ? "none" : String(text), at, cls: bad ? "bad" : "" });
      cell.dataset.counts = term;
      counts.append(make("dt", { text: term }), cell);
    }
    const about = [node.roles, node.firmware && `firmware ${node.firmware}`, node.reset && `started by ${node.reset}`, node.listed ? "" : "not in the site file"];
    const parts = [top, make("p", { cls: "small", text: about.filter(Boolean).join(", ") }), counts];
    if (facts.orders && facts.orders.some((order) => order.node === name)) {
      const buttons = make("p");
      buttons.append(button(`Hold ${name}`, () => hold(name)));
      if (model.get(`hold/${name}`)?.resume) buttons.append(" ", resume([name]));
      parts.push(buttons);
    }
    return parts;
  },
  wrong: (wrong) => [
    named(wrong.requirement), make("b", { text: wrong.node }), make("span", { text: wrong.message }),
    make("span", { text: (wrong.where ? `${wrong.where}: ` : "") + wrong.what }), make("span", { cls: "age", at: wrong.at }),
    make("span", { cls: "more", text: [wrong.fix, facts.rules[wrong.requirement]].filter(Boolean).join(". ") }),
  ],
  line: (line) => lineRow(line), sensors: (value, key) => sensorsRow(value, key),
};
const number = (key) => Number(key.split("/")[1]);
const rank = {
  job: (key) => (model.get(key).open ? -1e9 : 0) - number(key), trouble: (key) => model.get(key).rank, question: number, withdrawn: (key) => -number(key), goal: (key) => model.get(key).position,
  node: () => 0, sensors: () => 0, hold: (key) => (model.get(key).late ? 0 : 1), wrong: (key) => -number(key), line: (key) => -number(key),
};
const CLASS = { node: "card", sensors: "card", withdrawn: "withdrawn" };
const lists = new Map(all("[data-list]").map((element) => [element.dataset.list, { element, rows: new Map() }]));
const counted = new Set(["job", "trouble", "question", "goal", "node", "sensors", "wrong"]);

function row(kind, key) {
  const list = lists.get(kind), value = model.get(key);
  if (kind === "node" && counting(list.rows.get(key), value, key)) return false;
  const parts = rows[kind](value, key).filter(Boolean);
  const before = list.rows.get(key);
  if (before && before.contains(document.activeElement)) { freshen(before, parts); return false; }
  const made = make("li", { cls: CLASS[kind] || "" });
  parts.forEach((part) => made.append(part, " "));
  if (before) before.replaceWith(made);
  if (kind === "node") made.dataset.shape = shape(value, key);
  list.rows.set(key, made);
  return !before;
}
// Of a node that only went on speaking two figures are new: its card stays as it is.
function shape(node, key) { return JSON.stringify({ ...node, heard: node.heard === null, messages: 0, free: Boolean(model.get(`hold/${key.slice(5)}`)?.resume) }); }
function counting(before, node, key) {
  if (!before || before.dataset.shape !== shape(node, key)) return false;
  put(before.querySelector('[data-counts="messages"]'), String(node.messages));
  if (node.heard !== null) before.querySelector('[data-counts="last message"]').dataset.at = node.heard;
  return true;
}
// A row in which somebody stands with the keyboard keeps its buttons: only its words are renewed.
function freshen(before, parts) {
  const old = [...before.children];
  parts.forEach((part, index) => { if (old[index] && !old[index].contains(document.activeElement)) old[index].replaceWith(part); });
}
function settle(kind) {
  const list = lists.get(kind);
  const order = [...list.rows.keys()].sort((one, other) => rank[kind](one) - rank[kind](other));
  let at = list.element.firstElementChild;
  for (const key of order) {
    const made = list.rows.get(key);
    if (made === at) at = at.nextElementSibling;
    else list.element.insertBefore(made, at);
  }
  if (counted.has(kind)) {
    let none = list.element.previousElementSibling;
    while (none && !none.classList.contains("none")) none = none.previousElementSibling;
    if (none) none.hidden = order.length > 0;
  }
}

// ---- what the server sends
function take(said) {
  ahead = said.now - performance.now();
  heardAt = performance.now();
  if (said.all) for (const key of model.keys()) if (!(key in said.set)) said.gone.push(key);
  for (const key of said.gone) { model.delete(key); touch(key); }
  for (const [key, value] of Object.entries(said.set)) {
    if (key.startsWith("withdrawn/") && dismissed.has(dismissal(key, value))) continue;
    model.set(key, value); touch(key);
  }
  // What came between two frames is drawn once. A tab that nobody sees has no frames: it is drawn when it is seen again.
  if (!framed) { framed = true; requestAnimationFrame(drawTouched); }
}
let framed = false;
const touched = new Map();
function touch(key) {
  const kind = key.split("/")[0];
  if (!touched.has(kind)) touched.set(kind, new Set());
  touched.get(kind).add(key);
}
function drawTouched() {
  framed = false;
  const now = [...touched];
  touched.clear();
  for (const [kind, keys] of now) if (kind !== "line" || !$("still").checked) paint(kind, [...keys]);
}
const saying = new Map();
for (const element of all("[data-says]")) saying.set(element.dataset.says, [...(saying.get(element.dataset.says) || []), element]);
const placed = new Map(all("[data-place]").map((element) => [element.dataset.place, element]));
function paint(kind, keys) {
  let moved = false;
  for (const key of keys) {
    const value = model.get(key);
    if (lists.has(kind)) {
      if (value) moved = row(kind, key) || moved;
      else { lists.get(kind).rows.get(key)?.remove(); moved = lists.get(kind).rows.delete(key) || moved; }
    } else if (value) {
      for (const element of drawn.get(key) || []) draw[kind](element, value);
      for (const element of saying.get(key) || []) put(element, value.says || "");
      if (kind === "place" || kind === "crane") pictured(kind, key, value);
      if (kind === "place") place(key.slice(6), value);
      if (kind === "bus") bus(value);
      if (kind === "desk") desk(value);
    }
  }
  if (lists.has(kind) && (moved || (kind !== "node" && kind !== "sensors" && kind !== "line"))) settle(kind);
  if (kind === "job") together();
  if (kind === "place" || kind === "crane") renewBoxes();
  if (kind === "hold") holds(keys);
  if (kind === "withdrawn") turnBack(keys);
}
function bus(value) {
  lamp(value.up ? "up" : "down", value.up ? "Bus heard" : `Bus not heard: ${value.why}`);
  put($("count"), `${value.messages.toLocaleString("en")} heard so far`);
}
function lamp(cls, text) { $("link").className = `lamp ${cls}`; put($("link"), text); }
// What is held stands at the top of the page, in red as long as a hold has not come through.
function holds(changed) {
  const names = heldNow(), free = resumable(), late = new Map();
  for (const name of names) {
    const { late: is, says } = model.get(`hold/${name}`);
    if (is) late.set(says, [...(late.get(says) || []), name]);
  }
  $("holds").hidden = names.length === 0;
  $("held").className = late.size ? "bad" : "";
  const told = [...late].map(([says, which]) => `${which.join(", ")}: ${says}`).join("; ");
  put($("held"), late.size ? `NOT HELD YET: ${told}` : names.length ? `Held: ${names.join(", ")}` : "");
  $("resume").hidden = free.length < 2;
  put($("resume"), `Resume ${free.join(", ")}`);
  paint("node", changed.map((key) => `node/${key.slice(5)}`).filter((key) => model.has(key)));
}
const heldNow = () => [...model.keys()].filter((key) => key.startsWith("hold/")).map((key) => key.slice(5)).sort();
const resumable = () => heldNow().filter((name) => model.get(`hold/${name}`).resume);
function desk(value) {
  if (value.there) holds([]);
  else { $("held").className = "bad"; put($("held"), "The desk does not answer: who is held is not known."); }
  put($("desk"), value.there ? "" : `The desk does not answer (${value.why}): nothing can be ordered now.`);
  const text = value.events.join("\n");
  if ($("events").dataset.text === text) return;
  $("events").dataset.text = text;
  $("events").replaceChildren(...value.events.map((event) => make("li", { text: event })));
}
$("still").addEventListener("change", () => {
  if ($("still").checked) return;
  const list = lists.get("line");
  for (const [key, element] of list.rows) if (!model.has(key)) { element.remove(); list.rows.delete(key); }
  paint("line", [...model.keys()].filter((key) => key.startsWith("line/")));
});

setInterval(() => {
  const silent = heardAt ? (performance.now() - heardAt) / 1000 : 0;
  const old = silent > 4 || (!heardAt && performance.now() > 4000);
  document.body.classList.toggle("stale", old);
  $("old").hidden = !old;
  if (old) {
    put($("old"), "This page hears nothing from its own program any more: all that it shows is old. Is 'yardwire' still running? Go to no machine for a question that stands here.");
    lamp("down", "The page is cut off");
  } else if ($("link").className.endsWith("down") && model.has("bus")) bus(model.get("bus"));
  for (const element of all("[data-at]")) put(element, age(Number(element.dataset.at)));
}, 500);

// ---- sizes: every panel to the same scale, text at the same size whatever the scale
function scale() {
  const sheets = all(".sheet"), room = document.querySelector(".sheets").clientWidth;
  if (!sheets.length || !room) return;
  const widths = sheets.map((sheet) => Number(sheet.dataset.width));
  const row = (room - 17 * (sheets.length - 1) - 2) / widths.reduce((sum, width) => sum + width, 0);
  const one = Math.min(row >= 0.5 ? row : 0.8, 1.3, (room - 2) / Math.max(...widths));
  sheets.forEach((sheet, index) => {
    sheet.style.width = `${Math.floor(widths[index] * one)}px`;
    const svg = sheet.querySelector("svg");
    svg.style.setProperty("--px", 1 / one);
    svg.dataset.px = 1 / one;
    all("[data-fit]", svg).forEach(fit);
  });
}
new ResizeObserver(scale).observe(document.querySelector(".sheets"));
