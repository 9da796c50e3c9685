"use strict";
/**
 * What the page shows just now, and who wants to know when it changes. Nothing here is stored.
 *
 * @typedef {object} State
 * @property {number} level  of the slice
 * @property {string} item  the selected pile, joint or finding; "" for none
 * @property {string} stage  the stage whose holds are listed; "" for none
 * @property {number} exaggeration  of the movements in plan, 1 to 50
 * @property {Filter} filter
 * @property {boolean} drafting
 *
 * @typedef {object} Filter
 * @property {string} text
 * @property {boolean[]} verdicts  which are listed, by place in DATA.verdicts
 * @property {string} what  "", pile, joint, finding
 * @property {string} kind
 * @property {string} file
 * @property {string} rig
 * @property {string} progress
 */
const Store = (() => {
  /** @type {State} */
  let state = {
    level: DATA.levels.formation,
    item: First,
    stage: "",
    exaggeration: 10,
    filter: {
      text: "", verdicts: DATA.verdicts.map(() => true), what: "", kind: "", file: "", rig: "", progress: "",
    },
    drafting: false,
  };
  /** @type {((state: State, before: State) => void)[]} */
  const listeners = [];
  let waiting = false;
  /** @type {State} */
  let shown = state;

  /** Tells everybody once a frame, however often something changed in it. */
  function tell() {
    waiting = false;
    const before = shown;
    shown = state;
    for (const listener of listeners) listener(state, before);
  }

  return {
    /** @returns {State} */
    get: () => state,
    /** @param {Partial<State>} change */
    set(change) {
      state = { ...state, ...change };
      if (!waiting) {
        waiting = true;
        requestAnimationFrame(tell);
      }
    },
    /** @param {(state: State, before: State) => void} listener told at once, and at every change */
    on(listener) {
      listeners.push(listener);
      listener(state, state);
    },
  };
})();
