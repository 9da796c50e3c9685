"use strict";
/**
 * How a pile looks in plan at one level: by what concerns that level. A toe that ended too high says nothing of the
 * levels above it, nor does a face that runs into the pit far below.
 */
const Looks = (() => {
  const { checks, verdict } = DATA.piles;
  /** From where down a pile is not within towards the pit; NaN where no level is told. */
  const encroaches = new Float64Array(verdict.length).fill(NaN);
  for (const stage of DATA.stages) {
    for (const hold of [...stage.held_by, ...stage.below, ...stage.accepted]) {
      const found = PLACES.get(hold.item);
      if (hold.check === "encroach" && hold.level !== null && found) encroaches[found.place] = hold.level;
    }
  }
  const within = DATA.letters.indexOf("W");

  /** @param {number} k @param {number} z @returns {number} place in the verdicts; -1: no check made */
  function at(k, z) {
    const above = z > encroaches[k] + 0.001;
    const found = Math.max(checks.plan[k], checks.vertical[k], above ? within : checks.encroach[k]);
    return found < 0 ? verdict[k] : found;
  }

  return {
    /** @param {number} k @param {number} z @returns {string} class of its colour */
    at: (k, z) => Words.verdictClass(at(k, z)),
    /** @param {number} k @returns {string} class of its toe's colour, "" where the toe is as it should be */
    toe: (k) => (checks.toe[k] > within ? Words.verdictClass(checks.toe[k]) : ""),
  };
})();
