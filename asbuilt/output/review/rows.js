"use strict";
/**
 * What the list can list, in groups: everything, what concerns one stage, or the decisions.
 *
 * @typedef {object} Row
 * @property {string} id  "" for a heading
 * @property {string} text
 * @property {number} verdict
 * @property {Finding | null} finding
 * @property {Decision | null} decision
 * @property {number} number  place among the rows that can be chosen
 */
const Rows = (() => {
  /** @type {Omit<Row, "id" | "text">} */
  const BARE = { verdict: -1, finding: null, decision: null, number: -1 };
  /** @param {string} id @returns {Row} */
  const itemRow = (id) => ({ ...BARE, id, text: Items.short(id), verdict: Items.verdict(id) });
  /** @param {Finding} f @returns {Row} */
  const findingRow = (f) => ({ ...BARE, id: f.id, text: Items.signed(f.text), finding: f });
  /** @param {Hold} hold @returns {Row} */
  const holdRow = (hold) => ({ ...BARE, id: hold.item, text: Items.holdWords(hold), verdict: hold.verdict });

  /** @param {Decision} one @returns {Row} */
  function decisionRow(one) {
    const down = one.down_to === null ? "" : ` down to ${Words.level(one.down_to)}`;
    const text = `${one.effect}${down}${one.effect === "withdraw" ? "" : `: ${one.state}`}, ${one.at.slice(0, 10)}`;
    return { ...BARE, id: one.item, text, verdict: Items.verdict(one.item), decision: one };
  }

  /** @param {Hold[]} holds the gravest first @returns {Row[]} a row for each item, with all that holds it */
  function holdRows(holds) {
    /** @type {Map<string, Row>} */
    const found = new Map();
    for (const hold of holds) {
      const former = found.get(hold.item);
      if (former && !former.text.includes(holdRow(hold).text)) former.text += `; ${holdRow(hold).text}`;
      if (!former) found.set(hold.item, holdRow(hold));
    }
    return [...found.values()];
  }

  /** Everything, in groups, worked out once. @type {[string, Row[]][]} */
  const everything = (() => {
    const worst = new Set(DATA.worst);
    const rest = [...DATA.joints.id, ...DATA.piles.id].filter((id) => !worst.has(id));
    const grave = DATA.findings.filter((f) => f.severity !== "note");
    const notes = DATA.findings.filter((f) => f.severity === "note");
    // whatever is not within and not ranked still stands with the rest of its kind
    const unranked = rest.filter((id) => Items.verdict(id) >= 0 && DATA.letters[Items.verdict(id)] !== "W");
    return [
      ["Not within", [...DATA.worst, ...unranked].map(itemRow)],
      ["Findings to look into", grave.map(findingRow)],
      ["Within", rest.filter((id) => DATA.letters[Items.verdict(id)] === "W").map(itemRow)],
      ["Omitted by design", rest.filter((id) => Items.verdict(id) < 0).map(itemRow)],
      ["Notes", notes.map(findingRow)],
    ];
  })();

  /** @type {[string, Row[]][]} */
  const decisions = [["Decisions, the latest first", [...DATA.decisions].reverse().map(decisionRow)]];

  /** @param {string} name @returns {[string, Row[]][]} */
  function stageGroups(name) {
    const stage = DATA.stages.find((one) => one.name === name);
    if (!stage) return everything;
    // part of what is accepted may not be known, as far down as the stage asks for it
    const unmeasured = (/** @type {Hold} */ hold) => hold.unmeasured;
    return [
      [
        stage.held_by.length ? `Holding ${name}` : `No holds of ${name} found by these checks`,
        holdRows(stage.held_by),
      ],
      ["Below it, before a deeper stage", holdRows(stage.below)],
      ["Accepted by a decision", holdRows(stage.accepted.filter((hold) => !unmeasured(hold)))],
      ["Accepted without measurement", holdRows(stage.accepted.filter(unmeasured))],
    ];
  }

  /** @param {Decision} one @returns {boolean} it lapsed, and nothing was decided on the item since */
  const lapsed = (one) => Items.lapsed(one) && Items.decision(one.item) === "lapsed";

  /** @param {State} state @returns {[string, Row[]][]} */
  function groups(state) {
    if (["decision", "lapsed"].includes(state.filter.what)) return decisions;
    return state.stage ? stageGroups(state.stage) : everything;
  }

  return {
    of: groups,
    lapsed,
    /** @param {string} text @returns {Row} */
    heading: (text) => ({ ...BARE, id: "", text }),
  };
})();
