"use strict";
/**
 * Says what was done to those who do not see it: one place, once things are at rest.
 */
const Announce = (() => {
  /** A key that is held down is not commented on at every step [ms]. */
  const REST = 400;
  const place = /** @type {HTMLElement} */ (document.getElementById("says"));
  const plan = /** @type {HTMLElement} */ (document.getElementById("plan-says"));
  /** What was said last of all. @type {State} */
  let told = Store.get();
  /** @type {ReturnType<typeof setTimeout> | undefined} */
  let waiting;

  /** @param {string} id @returns {string} */
  function itemWords(id) {
    if (!id) return "nothing selected";
    const code = Items.verdict(id);
    const says = [Items.short(id), Items.decision(id)].filter(Boolean).join("; ");
    return `${id}, ${code < 0 ? (PLACES.has(id) ? "no check made" : "finding") : DATA.verdicts[code]}: ${says}`;
  }

  /** @param {string} name @returns {string} */
  function stageWords(name) {
    const stage = DATA.stages.find((one) => one.name === name);
    if (!stage) return "no stage chosen";
    const held = Items.eachOnce(stage.held_by).length;
    return `${name}: ${Stages.asked(stage)}; ${
      held ? `held by ${Words.count(held, "item")}` : "no holds found by these checks: this releases nothing"
    }`;
  }

  function tell() {
    const state = Store.get();
    /** @type {string[]} */
    const says = [];
    if (state.stage !== told.stage) says.push(stageWords(state.stage));
    if (state.stage !== told.stage || state.filter !== told.filter) says.push(List.count());
    // the list itself says which row is gone to
    const listed = document.activeElement?.id === "list";
    if (state.item !== told.item && !listed) says.push(itemWords(state.item));
    if (state.level !== told.level) says.push(`plan at ${Words.level(state.level)}: ${plan.textContent}`);
    told = state;
    if (says.length) place.textContent = `${says.map(Words.clean).join(". ")}.`;
  }

  function start() {
    Store.on((state, before) => {
      if (state === before) return;
      clearTimeout(waiting);
      waiting = setTimeout(tell, REST);
    });
  }

  return { start };
})();
