"use strict";
// Everything is there: the buttons get their work, and the page begins to listen.
if (facts.orders) {
  for (const pressed of all("[data-hold]")) pressed.addEventListener("click", () => (pressed.dataset.hold === "all" ? holdAll() : hold($(pressed.dataset.hold).value)));
  addEventListener("keydown", holdKey, true);
  $("resume").addEventListener("click", () => askToResume(resumable()));
  $("ask-no").addEventListener("click", () => $("ask").close());
  $("ask-yes").addEventListener("click", () => { const chosen = waiting; waiting = null; $("ask").close(); if (chosen) send(chosen); });
  $("ask").addEventListener("close", () => { waiting = null; });
  $("who").append(...[...new Set(facts.orders.map((one) => one.node))].map((name) => make("option", { text: name })));
  $("who").addEventListener("change", choose);
  $("what").addEventListener("change", compose);
  $("where").addEventListener("change", slots);
  $("compose").addEventListener("submit", (event) => {
    event.preventDefault();
    const order = facts.orders.find((one) => one.node === $("who").value && one.act === $("what").value);
    const fields = Object.fromEntries(order.fields.map((field) => [field.name, $("fields").querySelector(`[name="${CSS.escape(field.name)}"]`).value]).filter(([, value]) => value !== ""));
    const told = Object.entries(fields).map(([name, value]) => `${name} ${value}`).join(", ");
    confirm({ do: "order", node: order.node, act: order.act, fields }, `${order.node}: ${order.act}${told ? `, ${told}` : ""}`, order.caution);
  });
  $("tell").addEventListener("submit", (event) => {
    event.preventDefault();
    const [where, slot, box] = [$("where").value, Number($("slot").value), $("box").value.trim()];
    confirm({ do: "tell", place: where, slot, box }, `In ${where}, slot ${slot}, stands ${box || "nothing"}`, "Say only what you have seen: machines act on it.");
  });
  choose();
  slots(); wanted();
}
listen();
