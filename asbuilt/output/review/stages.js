"use strict";
/**
 * The stages of excavation, and in one sentence what stands in the way of the next. Nothing here releases one.
 */
const Stages = (() => {
  const { el, foreign, count, level } = Words;
  const bar = /** @type {HTMLElement} */ (document.getElementById("stages"));
  const stages = Dug;

  /** @param {Hold[]} holds @returns {HTMLElement[]} how many items there are of each verdict, the gravest first */
  function tally(holds) {
    return ["X", "N", "U", "W"].flatMap((letter) => {
      const code = DATA.letters.indexOf(letter);
      const many = Items.eachOnce(holds).filter((hold) => hold.verdict === code).length;
      return many ? [el("span", { class: "tally" }, Words.verdictMark(code), ` ${many}`)] : [];
    });
  }

  /** @param {Stage} stage @returns {string} what it asks for */
  function asked({ level: to, joints_to }) {
    return `dig to ${level(to)}, joints to be sound to ${joints_to === null ? "their ends" : level(joints_to)}`;
  }

  /** @param {Stage} stage */
  function button(stage) {
    const held = Items.eachOnce(stage.held_by).length;
    return el(
      "button",
      {
        type: "button",
        class: held ? "held" : "",
        "aria-pressed": false,
        "data-stage": stage.name,
        title: `${asked(stage)}; lists what holds it`,
        on: { click: () => press(stage) },
      },
      el("b", null, foreign(stage.name)),
      ` ${level(stage.level)}\u00a0m `,
      el("span", { class: "by", text: held ? `held by ${held}` : "no holds found by these checks" }),
      ...tally(stage.held_by),
    );
  }

  /** @param {Stage} stage */
  function press(stage) {
    choose(Store.get().stage === stage.name ? "" : stage.name);
  }

  /** @param {string} name lists what holds the stage, and shows the plan at its level; "" for all */
  function choose(name) {
    const stage = stages.find((one) => one.name === name);
    if (!stage) Store.set({ stage: "" });
    else Store.set({ stage: name, level: stage.level, item: stage.held_by[0]?.item || Store.get().item });
  }

  /** Goes to the next stage down; after the last to none. */
  function next() {
    const place = stages.findIndex((one) => one.name === Store.get().stage);
    choose(stages[place + 1]?.name || "");
  }

  /** @returns {(Node | string)[]} */
  function worst() {
    const id = DATA.worst[0];
    return id ? ["the gravest: ", Items.link(id), `, ${Items.short(id)}`] : [];
  }

  /** @returns {(Node | string)[]} what stands in the way of the first stage that is held */
  function sentence() {
    const held = stages.find((stage) => stage.held_by.length);
    const end = worst();
    if (held) {
      return [
        el("b", null, foreign(held.name)),
        ` to ${level(held.level)} m is held by `,
        el("b", { text: count(Items.eachOnce(held.held_by).length, "item") }),
        "; the gravest: ",
        Items.link(First),
        ", ",
        foreign(Items.holdWords(held.held_by[0])),
      ];
    }
    const none = stages.length
      ? "No holds found by these checks: this releases nothing."
      : "No excavation stages are set.";
    return end.length ? [`${none} Not within: ${DATA.worst.length}; `, ...end] : [none];
  }

  /**
   * @param {string} text @param {string} [more] shown on pointing @param {() => void} [act] leads to what it speaks of
   * @returns {HTMLElement}
   */
  function warning(text, more, act) {
    const title = more ? Words.clean(more) : null;
    if (!act) return el("span", { class: "warn", title, text });
    return el("button", { type: "button", class: "link warn", title, text, on: { click: act } });
  }

  /** @returns {HTMLElement[]} what a reader must know of the state of the data */
  function marks() {
    const unmeasured = DATA.letters.indexOf("N");
    const piles = DATA.piles.verdict.filter((code) => code === unmeasured).length;
    const joints = DATA.joints.verdict.filter((code) => code === unmeasured).length;
    const lapsed = [...new Set(DATA.decisions.map((one) => one.item))].filter((id) => Items.decision(id) === "lapsed");
    // a time of the day is enough to the second; a survey without dates is as of none
    const moment = DATA.as_of_text.replace(/(:\d\d)\.\d+/, "$1");
    const said = [el("span", { text: /^\d/.test(moment) ? `As of ${moment}` : `As of: ${moment}` })];
    if (DATA.changed.length) {
      said.push(
        warning(
          `${count(DATA.changed.length, "file")} changed since taken in: ${DATA.changed
            .slice(0, 2)
            .map(Words.clean)
            .join(", ")}${DATA.changed.length > 2 ? ", \u2026" : ""}`,
          DATA.changed.join("; "),
        ),
      );
    }
    if (piles || joints) {
      said.push(
        warning(`not surveyed: ${count(piles, "pile")}, ${count(joints, "joint")}`, "List them", () => List.only("N")),
      );
    }
    const errors = DATA.findings.filter((one) => one.severity === "error");
    if (errors.length) {
      const says = errors.map((one) => one.text).join("; ");
      said.push(warning(`errors found: ${errors.length}`, says, () => List.kind("finding")));
    }
    if (lapsed.length) {
      said.push(warning(`decisions that lapsed: ${lapsed.length}`, lapsed.join("; "), () => List.kind("lapsed")));
    }
    if (DATA.not_made.length)
      said.push(warning(`checks not made: ${DATA.not_made.length}`, DATA.not_made.join("; "), Start.openHelp));
    return said;
  }

  function start() {
    bar.append(...stages.map(button));
    bar.hidden = !stages.length;
    /** @type {HTMLElement} */ (document.getElementById("site")).append(foreign(DATA.site));
    /** @type {HTMLElement} */ (document.getElementById("state")).append(...sentence());
    /** @type {HTMLElement} */ (document.getElementById("marks")).append(...marks());
    const line = /** @type {HTMLElement} */ (document.getElementById("stage-asks"));
    Store.on((state) => {
      const stage = stages.find((one) => one.name === state.stage);
      line.hidden = !stage;
      if (stage) line.replaceChildren(el("b", null, foreign(stage.name)), `: ${asked(stage)}`);
      for (const one of /** @type {NodeListOf<HTMLElement>} */ (bar.querySelectorAll("button"))) {
        one.setAttribute("aria-pressed", String(one.dataset.stage === state.stage));
      }
    });
  }

  return {
    start,
    choose,
    next,
    sentence,
    marks,
    tally,
    asked,
    /** @returns {string} the gravest of what holds the stage that is chosen, else the next one */
    gravest: () => stages.find((one) => one.name === Store.get().stage)?.held_by[0]?.item || First,
  };
})();
