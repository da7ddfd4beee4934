"use strict";
// Questions that may not be answered any more. Somebody may be on the way: each stays until it is dismissed here, in this tab
// alone, or asked again.
const DISMISSED = `dismissed ${location.pathname}`;
const dismissed = new Set(JSON.parse(sessionStorage.getItem(DISMISSED) || "[]"));
const dismissal = (key, gone) => `${key} ${gone.why}`;

function withdrawnRow(gone, key) {
  const where = gone.where ? `${gone.where}: ` : "", dismiss = button("Dismiss", () => dismissIt(key));
  dismiss.setAttribute("aria-label", `Dismiss: ${where}${gone.text}`);
  return [
    make("strong", { text: gone.caution }), make("span", { cls: "word trouble", text: "withdrawn" }),
    gone.where ? make("b", { text: gone.where }) : null, make("s", { text: gone.text }),
    make("span", { cls: "age", at: gone.at }), make("span", { cls: "more", text: `Why: ${gone.why}` }), dismiss,
  ];
}

function dismissIt(key) {
  dismissed.add(dismissal(key, model.get(key)));
  sessionStorage.setItem(DISMISSED, JSON.stringify([...dismissed]));
  model.delete(key);
  paint("withdrawn", [key]);
  $("questions-title").focus();
}

// It stands in the bar too, for whoever has scrolled elsewhere; an answer that is just being looked at is looked at again.
function turnBack(changed) {
  const gone = [...model].filter(([key]) => key.startsWith("withdrawn/")).map(([, one]) => one);
  const names = [...new Set(gone.map((one) => one.where || "the bus"))].sort();
  put($("turn-back"), gone.length ? `WITHDRAWN, do not go there: ${names.join(", ")}. Remove motor power before you reach in. Why stands under Questions.` : "");
  if (waiting && waiting.order.do === "answer" && changed.some((key) => model.has(key) && number(key) === waiting.order.number)) review(waiting.order);
}
