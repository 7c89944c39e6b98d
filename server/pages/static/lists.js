// Below the step: the path of the beam, the verdict in numbers, what was saved.

import { find, html, remake, setText } from "./make.js";

/** @type {Record<string, string>} */
const KNOTS = { done: "✓", due: "●", stale: "!", seen: "·", waiting: "" };

/** @param {ChainLink[]} chain */
export function showChain(chain) {
  const made = remake(find("#chain"), chain, () =>
    chain.map(({ name, state, note }) => {
      const said = html("span", { class: "hush" }, `: ${note}`);
      const ask = html(
        "button",
        { type: "button", onclick: () => setText(find("#chain-note"), `${name}: ${note}.`) },
        html("span", { class: "knot", "aria-hidden": "true" }, KNOTS[state]),
        name,
        said,
      );
      return html("li", { class: state, "aria-current": state === "due" ? "step" : null }, ask);
    }),
  );
  if (made) setText(find("#chain-note"), "");
}

/** @param {Verdict | null} verdict */
export function showVerdict(verdict) {
  const place = find("#verdict");
  place.hidden = !verdict;
  if (!verdict) return;
  const rows = verdict.rows.map(({ name, value, limit, good, known }) =>
    html(
      "tr",
      {},
      html("th", { scope: "row" }, name),
      html("td", { class: known ? (good ? "yes" : "no") : "open" }, value),
      html("td", {}, limit),
    ),
  );
  const names = html(
    "thead",
    {},
    html("tr", {}, ...["What", "Found", "Allowed"].map((text) => html("th", { scope: "col" }, text))),
  );
  const table = html("table", {}, names, html("tbody", {}, ...rows));
  const power =
    verdict.power === null
      ? []
      : [
          html(
            "p",
            {},
            `${verdict.power} % of the beam arrives at the worst place${verdict.worst ? ` (${verdict.worst})` : ""}.`,
          ),
        ];
  const reasons = verdict.reasons.map((reason) => html("li", {}, reason));
  const scroll = html(
    "div",
    { class: "scroll", tabindex: "0", role: "region", "aria-label": "Verdict in numbers" },
    table,
  );
  place.replaceChildren(
    html("h2", { class: verdict.good ? "yes" : "no" }, verdict.headline),
    scroll,
    ...power,
    html("ul", {}, ...reasons),
  );
}

/** @param {State} state @param {Link} link */
export function showReadings(state, link) {
  setText(find("#count"), String(state.readings.filter((row) => !row.withdrawn).length));
  remake(find("#readings"), [state.source, state.readings], () =>
    state.readings.map((row) => readingLine(row, state.source, link)),
  );
}

/** @param {ReadingRow} row @param {string} source @param {Link} link */
function readingLine(row, source, link) {
  /** @type {(Node | string)[]} */
  const more = row.has_picture ? [" ", html("a", { href: `/log/picture/${row.id}` }, "picture")] : [];
  if (row.withdrawn) more.push(" (withdrawn)");
  else if (source !== "practice" || !["turn", "shift"].includes(row.kind)) more.push(withdraw(row, link));
  return html("li", { class: row.withdrawn ? "withdrawn" : null }, row.words, ...more);
}

/** Offers to take back what was saved last: it stays in the log and no longer counts.
 * @param {State} state @param {Link} link */
export function showUndo({ undo, readings, step }, link) {
  const last = readings.find((row) => !row.withdrawn);
  remake(find("#undo"), [undo, last, step], () =>
    undo && last
      ? ["Last: ", last.words, ". ", asking(undo.label, last.words, () => link.act(undo.action, undo.body))]
      : [],
  );
}

/** @param {ReadingRow} row @param {Link} link */
const withdraw = (row, link) => asking("Withdraw", row.words, () => link.act("withdraw", { event: row.id }));

/** Returns a button that asks once more before it acts.
 * @param {string} label @param {string} what @param {() => void} act */
function asking(label, what, act) {
  /** @type {HTMLElement} */
  const button = html(
    "button",
    { type: "button", class: "small", "aria-label": `${label}: ${what}`, onclick: () => askFirst(button, what, act) },
    label,
  );
  return button;
}

/** @param {HTMLElement} button @param {string} what @param {() => void} act */
function askFirst(button, what, act) {
  if (button.dataset.asked !== undefined) return act();
  button.dataset.asked = "";
  button.setAttribute("aria-label", `Really take it back: ${what}`);
  setText(button, "Really take it back?");
}
