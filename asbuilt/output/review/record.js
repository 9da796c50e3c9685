"use strict";
/**
 * What stands on record about an item: the stages it holds, decisions, findings.
 */
const Record = (() => {
  const { el, foreign, level } = Words;
  /** Findings named beside another one. */
  const MOST = 12;

  /** @param {string} heading @param {...(Node | null)} parts */
  const section = (heading, ...parts) => el("section", null, el("h3", { text: heading }), ...parts);

  /** @param {string} id @returns {HTMLElement | null} the stages that it holds or would hold, and why */
  function holds(id) {
    const kinds = /** @type {["held_by" | "accepted", string][]} */ ([
      ["held_by", "Holds"],
      ["accepted", "Accepted for"],
    ]);
    /** @type {Map<string, {how: string, text: string, stages: string[]}>} */
    const found = new Map();
    for (const [kind, how] of kinds) {
      for (const stage of Dug) {
        for (const hold of stage[kind].filter((each) => each.item === id)) {
          const text = why(hold, stage);
          const one = found.get(how + text) || { how, text, stages: [] };
          one.stages.push(stage.name);
          found.set(how + text, one);
        }
      }
    }
    if (!found.size) return null;
    return el(
      "ul",
      { class: "plain holds" },
      ...[...found.values()].map(({ how, text, stages }) =>
        el(
          "li",
          null,
          el(
            "span",
            null,
            el("b", null, `${how} `, ...stages.flatMap((name, k) => [k ? ", " : "", foreign(name)]), ": "),
            foreign(text),
          ),
        ),
      ),
    );
  }

  /** @param {Hold} hold @param {Stage} stage @returns {string} with what the stage asks for, where that is a level */
  function why(hold, { joints_to }) {
    if (hold.check !== "joint") return Items.signed(hold.text);
    const to = joints_to === null ? "their ends" : level(joints_to);
    return `${Items.holdWords(hold)}; joints are to be sound to ${to}`;
  }

  /** @param {string} id @param {string} [but] id of a finding that is shown already @returns {HTMLElement | null} */
  function findings(id, but = "") {
    const mine = new Set([id, ...Items.pilesOf(id).map((k) => DATA.piles.id[k])]);
    const found = DATA.findings.filter((one) => (mine.has(one.item) || one.id === id) && one.id !== but);
    if (!found.length) return null;
    return section(
      "Findings",
      el(
        "ul",
        { class: "plain" },
        ...found.map((one) =>
          el(
            "li",
            null,
            Items.findingMark(one),
            el(
              "span",
              null,
              el("b", null, foreign(one.item)),
              ` ${one.kind.replace(/_/g, " ")}: `,
              foreign(Items.signed(one.text)),
              one.file && el("span", { class: "soft" }, " ", foreign(one.file + (one.line ? `:${one.line}` : ""))),
            ),
          ),
        ),
      ),
    );
  }

  /** @param {string} id @returns {HTMLElement | null} findings of its kind or its file, to go on with */
  function alike(id) {
    const own = Items.findings.get(id);
    const found = DATA.findings.filter((one) => one !== own && (one.kind === own?.kind || one.file === own?.file));
    if (!found.length) return null;
    const rows = found.slice(0, MOST).map((one) => {
      const says = el("span", null, Items.link(one.id), " ", foreign(Items.signed(one.text)));
      return el("li", null, Items.findingMark(one), says);
    });
    const more = found.length > MOST && el("p", { class: "soft", text: `and ${found.length - MOST} more` });
    return section("Findings of the same kind or file", el("ul", { class: "plain" }, ...rows), more || null);
  }

  /** @param {Decision} one */
  function decisionItem(one) {
    const down = one.down_to === null ? "" : ` down to ${level(one.down_to)}`;
    return el(
      "li",
      null,
      one.effect === "withdraw" ? null : el("span", { class: `tag ${one.standing ? "" : "lapsed"}`, text: one.state }),
      el(
        "span",
        null,
        ` ${one.effect}${down} `,
        one.until && el("span", null, "until ", foreign(one.until)),
        " by ",
        foreign(one.by),
        `, ${one.at.slice(0, 10)}: `,
        foreign(one.reason),
        one.reference && el("span", null, " (", foreign(one.reference), ")"),
        one.changed && el("span", null, "; now ", foreign(Items.signed(one.changed.replace(/->/g, "\u2192")))),
      ),
    );
  }

  /** @param {string} id @returns {HTMLElement | null} */
  function decisions(id) {
    const mine = DATA.decisions.filter((one) => one.item === id);
    return mine.length ? section("Decisions", el("ul", { class: "plain" }, ...mine.map(decisionItem))) : null;
  }

  return { section, holds, decisions, findings, alike };
})();
