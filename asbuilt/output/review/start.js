"use strict";
/**
 * Begins the page: theme, help, cautions, print.
 */
const Start = (() => {
  const { el, foreign, svg } = Words;
  const root = document.documentElement;
  const byId = (/** @type {string} */ id) => /** @type {HTMLElement} */ (document.getElementById(id));
  const help = /** @type {HTMLDialogElement} */ (document.getElementById("help"));

  /** @param {HTMLDialogElement} dialog @returns {HTMLElement} */
  function closer(dialog) {
    return el("button", {
      type: "button",
      class: "close",
      text: "Close",
      "aria-keyshortcuts": "Escape",
      on: { click: () => dialog.close() },
    });
  }

  /** @param {boolean} dark */
  function setTheme(dark) {
    root.dataset.theme = dark ? "dark" : "light";
    byId("theme").setAttribute("aria-pressed", String(dark));
  }

  /** Follows the machine's setting until the reader chooses. */
  function themes() {
    const wish = matchMedia("(prefers-color-scheme: dark)");
    const follow = () => setTheme(wish.matches);
    wish.addEventListener("change", follow);
    byId("theme").addEventListener("click", () => {
      wish.removeEventListener("change", follow);
      setTheme(root.dataset.theme !== "dark");
    });
    follow();
  }

  /** The two sentences that matter most always stand below; all of them in help and in print. */
  function cautions() {
    byId("cautions").append(
      el(
        "p",
        null,
        DATA.cautions.slice(0, 2).join(" "),
        " ",
        el("button", { type: "button", class: "link", text: "All cautions", on: { click: openHelp } }),
      ),
    );
  }

  /** @returns {HTMLElement} the four verdicts and what they mean */
  function verdictLegend() {
    const says = /** @type {Record<string, string>} */ ({
      W: "measured, and as sure as the site file asks for",
      U: "this survey cannot decide it; a better one could",
      N: "what the check needs was not measured: missing data is not acceptable data",
      X: "beyond what is allowed",
    });
    return el(
      "dl",
      null,
      ...["X", "N", "U", "W"].flatMap((letter) => {
        const code = DATA.letters.indexOf(letter);
        return [el("dt", null, Words.verdictMark(code), ` ${DATA.verdicts[code]}`), el("dd", { text: says[letter] })];
      }),
    );
  }

  /** @returns {HTMLElement} what a joint can be at a level */
  function stateLegend() {
    const says = /** @type {Record<string, string>} */ ({
      open: "a gap, or below a toe as built",
      lost: "less overlap than asked for",
      "not sure": "enough overlap, but not with the confidence asked for, or not under the other lean model",
      sure: "enough, with the confidence asked for",
      "not surveyed": "not known",
    });
    return el(
      "dl",
      null,
      ...DATA.joint_states.flatMap((state) => [
        el("dt", null, swatch(state), ` ${state}`),
        el("dd", { text: says[state] || "" }),
      ]),
    );
  }

  /** @param {string} state */
  function swatch(state) {
    return svg(
      "svg",
      { class: "chart sample", viewBox: "0 0 22 10", width: 22, height: 10, "aria-hidden": true },
      svg("rect", { class: `band ${state.replace(/ /g, "-")}`, x: 0.5, y: 0.5, width: 21, height: 9 }),
    );
  }

  function buildHelp() {
    const keys = Keys.list.map(([key, what]) =>
      el("tr", null, el("th", { scope: "row" }, el("kbd", { text: key })), el("td", { text: what })),
    );
    help.append(
      closer(help),
      el("h2", { id: "help-title", text: "Help" }),
      el(
        "div",
        { class: "columns" },
        el(
          "section",
          null,
          el("h3", { text: "Keys" }),
          el("table", { class: "keys" }, el("tbody", null, ...keys)),
          el("p", null, Keys.choice()),
        ),
        el(
          "section",
          null,
          el("h3", { text: "Verdicts" }),
          verdictLegend(),
          el("h3", { text: "A joint at one level" }),
          stateLegend(),
          el("h3", { text: "Plan" }),
          el("p", {
            text:
              "Piles stand where they are, cut at the level chosen;" +
              " the arrows from design to as built are drawn longer than they are, as it says. Below the deepest" +
              " reading everything is predicted, and drawn dashed.",
          }),
        ),
        el(
          "section",
          null,
          el("h3", { text: "Cautions" }),
          el("ul", null, ...DATA.cautions.map((text) => el("li", { text }))),
          DATA.not_made.length ? el("h3", { text: "Checks that are not made" }) : null,
          DATA.not_made.length ? el("ul", null, ...DATA.not_made.map((text) => el("li", null, foreign(text)))) : null,
          el("h3", { text: "What this page was made from" }),
          origin(),
        ),
      ),
    );
  }

  /** @returns {HTMLElement} */
  function origin() {
    const rows = [
      ["Site", DATA.site],
      ["As of", DATA.as_of_text],
      ["Inputs, sha256", DATA.inputs_sha256],
      ["Ledger", DATA.ledger_head || "none"],
      ["Confidence asked for", String(DATA.confidence)],
      ["asbuilt", DATA.tool_version],
    ];
    return el(
      "dl",
      { class: "origin" },
      ...rows.flatMap(([name, value]) => [el("dt", { text: name }), el("dd", null, foreign(value))]),
    );
  }

  function openHelp() {
    if (!help.open) help.showModal();
  }

  function start() {
    themes();
    List.start();
    Detail.start();
    Stages.start();
    Changes.start();
    Drafts.start();
    cautions();
    buildHelp();
    byId("open-help").addEventListener("click", openHelp);
    Print.start();
    Announce.start();
  }

  return { start, closer, openHelp };
})();

Start.start();
