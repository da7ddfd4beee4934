"use strict";
// Goals, and the second look before anything is sent: the desk checks it as if it were sent, and says what would happen.
const LOOKED_AT = ["order", "tell", "answer", "want", "train", "drop", "reorder"];

async function review(order) {
  const told = $("ask-review"), yes = $("ask-yes");
  told.className = "";
  put(told, "");
  yes.disabled = LOOKED_AT.includes(order.do);
  if (!yes.disabled) return;
  put(told, "Looking at it \u2026");
  let found;
  try {
    const answer = await fetch("order", { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify({ ...order, look: true }) });
    found = await answer.json();
  } catch {
    found = { refused: "it could not be checked, for the page's program did not answer" };
  }
  if (waiting === null || waiting.order !== order) return;
  told.className = found.refused === null ? "" : "wrong";
  yes.disabled = found.refused !== null;
  const blocked = found.blocked ? ` Goal blocked for now: ${found.blocked}.` : "";
  put(told, found.refused === null ? `Would do: ${found.will}.${blocked}` : `Would be refused: ${found.refused}`);
}

function goalRow(goal, key) {
  const number = Number(key.split("/")[1]), text = `goal ${number}, ${goal.text}`;
  const ask = (word, order) => {
    const made = make("button", { text: word });
    made.type = "button";
    made.setAttribute("aria-label", `${word}: ${text}`);
    made.addEventListener("click", () => confirm(order(), `${word}: ${text}`, "Jobs under way come to their end, whatever becomes of the goal."));
    return made;
  };
  // A row in which somebody stands with the keyboard keeps its buttons, so they look where the goal is when they are pressed.
  const by = (step) => () => ({ do: "reorder", number, position: model.get(key).position + step });
  return [
    make("b", { text: String(number) }), make("span", { text: goal.text }),
    goal.blocked ? make("span", { cls: "word trouble", text: "blocked" }) : null, goal.blocked ? make("span", { text: goal.blocked }) : null,
    ask("Earlier", by(-1)), ask("Later", by(1)), ask("Drop", () => ({ do: "drop", number })),
  ];
}

function wanted() {
  const slots = () => $("want-slot").replaceChildren(...Array.from({ length: facts.slots[$("want-place").value] }, (_, slot) => make("option", { text: String(slot) })));
  $("want-place").addEventListener("change", slots);
  slots();
  const caution = "Hands clear: machines begin as soon as it is planned, and go on until it is met.";
  $("want").addEventListener("submit", (event) => {
    event.preventDefault();
    const [box, place, slot] = [$("want-box").value.trim(), $("want-place").value, Number($("want-slot").value)];
    confirm({ do: "want", box, place, slot }, `Box ${box} to ${place}, slot ${slot}`, caution);
  });
  // A saved order goes the way of every other: it is looked at, and then sent.
  if ($("saved")) $("saved").addEventListener("submit", (event) => {
    event.preventDefault();
    const one = facts.saved.find((saved) => saved.name === $("saved-name").value);
    confirm({ do: "order", node: one.node, act: one.act, fields: one.fields }, one.words, one.caution);
  });
  if ($("train")) { $("train-berth").addEventListener("change", takesOfTrain); takesOfTrain(); }
  if ($("train")) $("train").addEventListener("submit", (event) => {
    event.preventDefault();
    const takes = all("input", $("train-slots")).map((input) => [input.dataset.slot, input.value.trim()]).filter(([, box]) => box);
    const words = takes.map(([slot, box]) => `${box} in slot ${slot}`);
    const [berth, train] = [$("train-berth").value, $("train-name").value.trim()];
    confirm({ do: "train", berth, train, takes }, `Train ${train} at ${berth}, to take ${words.join(", ") || "nothing"}`, caution);
  });
}
