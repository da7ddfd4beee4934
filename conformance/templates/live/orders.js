"use strict";
// Orders: a hold is sent at once and by one key; nothing else without a second look.
function button(text, press) {
  const made = make("button", { text });
  made.type = "button";
  made.addEventListener("click", press);
  return made;
}
function hold(node) { send({ order: { do: "hold", node }, text: node === "all" ? "Hold every node" : `Hold ${node}` }); }
const resume = (nodes) => button(`Resume ${nodes.join(", ")}`, () => askToResume(nodes));
function askToResume(nodes) {
  confirm({ do: "resume", nodes }, `Resume ${nodes.join(", ")}`, "Hands clear: what was stopped by a hold moves on at once.");
}
const HOLD_KEYS = ["F8", "Pause"];
function holdKey(event) {
  if (!HOLD_KEYS.includes(event.key) || event.repeat) return;
  event.preventDefault();
  holdAll();
}
function holdAll() { waiting = null; $("ask").close(); hold("all"); }
let waiting = null;
function confirm(order, text, caution) {
  waiting = { order, text };
  put($("ask-words"), text);
  put($("ask-caution"), caution); review(order);
  $("ask").showModal();
  $("ask-no").focus();
}
async function send({ order, text }) {
  say(`Sending: ${text}`);
  try {
    const answer = await fetch("order", { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(order) });
    const { refused } = await answer.json();
    if (refused !== null) say(`Not taken: ${text}. ${refused}`, true);
    else say(order.do === "hold" ? `Asked for: ${text}. What has come of it stands under Holds.` : `Taken: ${text}`);
  } catch {
    say(`It is not known whether this was taken: ${text}. The page's program did not answer.`, true);
  }
}
function say(text, bad = false) { $("said").className = bad ? "bad" : ""; put($("said"), text); }

function answers(question, number) {
  const form = make("form");
  const give = (choice) => confirm({ do: "answer", number, choice }, `${question.text} \u2014 ${choice || "nothing"}`, "Answer only what you have seen: machines act on it.");
  if (question.choices.length) {
    for (const choice of question.choices) {
      const made = make("button", { text: choice });
      made.type = "button";
      made.addEventListener("click", () => give(choice));
      form.append(made);
    }
  } else {
    const input = make("input");
    input.setAttribute("aria-label", question.text);
    input.autocomplete = "off";
    form.append(input, make("button", { text: "Answer" }));
    form.addEventListener("submit", (event) => { event.preventDefault(); give(input.value.trim()); });
  }
  return form;
}

function compose() {
  const order = facts.orders.find((one) => one.node === $("who").value && one.act === $("what").value);
  $("fields").replaceChildren(...order.fields.map((field) => {
    const line = make("label", { text: `${field.label} ` });
    const input = field.choices.length || field.name.endsWith("_slot") ? make("select") : make("input");
    if (field.choices.length) {
      const choices = field.needed ? field.choices : ["", ...field.choices];
      input.append(...choices.map((choice) => { const made = make("option", { text: choice || "\u2013" }); made.value = choice; return made; }));
    } else if (field.name.endsWith("_slot")) { /* Its slots follow from the place. */
    } else if (field.least !== null) {
      Object.assign(input, { type: "number", min: field.least, max: field.most, step: 1, required: field.needed });
    } else Object.assign(input, { maxLength: field.longest, pattern: "[A-Za-z0-9\\-]*", required: field.needed, autocomplete: "off" });
    input.name = field.name;
    line.append(input);
    return line;
  }));
  choicesOfOrder(order);
  return order;
}
function choose() {
  const acts = facts.orders.filter((one) => one.node === $("who").value);
  $("what").replaceChildren(...acts.map((one) => { const made = make("option", { text: `${one.act}: ${one.words}` }); made.value = one.act; return made; }));
  compose();
}
function slots() {
  $("slot").replaceChildren(...Array.from({ length: facts.slots[$("where").value] }, (_, slot) => make("option", { text: String(slot) })));
}
