"use strict";
// The last messages: chosen by node and message, each with what is different, its bytes and what they mean.
let source = null;

function listen() {
  if (source) source.close();
  const wanted = new URLSearchParams({ node: $("only-node").value, message: $("only-message").value });
  source = new EventSource(`stream?${wanted}`);
  source.onmessage = (event) => take(JSON.parse(event.data));
}
for (const id of ["only-node", "only-message"]) $(id).addEventListener("change", () => {
  for (const key of [...model.keys()]) if (key.startsWith("line/")) model.delete(key);
  for (const element of lists.get("line").rows.values()) element.remove();
  lists.get("line").rows.clear();
  listen();
});
$("delta").addEventListener("change", () => {
  for (const element of lists.get("line").rows.values()) element.remove();
  lists.get("line").rows.clear();
  paint("line", [...model.keys()].filter((key) => key.startsWith("line/")));
});

function lineRow(line) {
  const verdict = line.broken.length ? make("span", { cls: "wrong", text: "\u2717 " }) : make("span", { cls: "fine", text: "\u2713 valid" });
  line.broken.forEach((requirement) => verdict.append(named(requirement), " "));
  // A link and no button: on a page that only watches there is nothing to press.
  const peek = make("a", { cls: "at peek", text: clock(line.at) });
  peek.href = "#detail";
  peek.setAttribute("aria-label", `${clock(line.at)}: bytes and meaning`);
  peek.addEventListener("click", (event) => { event.preventDefault(); show(line); });
  const words = $("delta").checked && line.changed ? line.changed : line.words;
  return [
    peek, make("b", { text: line.node || "?" }), make("span", { text: line.message + (line.kept ? ", kept" : "") }),
    make("span", { cls: "words", text: words }), verdict,
  ];
}
function show(line) {
  $("detail").hidden = false;
  $("detail").open = true;
  put($("detail-title"), `${line.node} ${line.message}, ${clock(line.at)}`);
  put($("detail-changed"), line.changed ? `Different to the one before: ${line.changed}` : "There is none before it to compare with.");
  put($("detail-raw"), line.raw || "no bytes");
  let decoded = line.decoded || "cannot be read";
  try { decoded = JSON.stringify(JSON.parse(decoded), null, 1); } catch { /* It was cut off, and is shown as it is. */ }
  put($("detail-decoded"), decoded);
  $("detail").scrollIntoView({ block: "nearest" });
}
