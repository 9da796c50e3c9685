"use strict";
/**
 * Keys for those who would rather not reach for the mouse. Single letters can be turned off: they get in the way of
 * speech input and of hands that shake.
 */
const Keys = (() => {
  /** What each does, for the help. @type {[string, string][]} */
  const list = [
    ["Page Up, Page Down", "level 0.50 m up, down; with Shift 0.10 m"],
    ["[ ]", "level 0.05 m down, up"],
    ["c, 1 to 9, f, i", "level of cut-off, of a stage, of formation, down to which joints must interlock"],
    ["+ \u2212 0", "zoom in, zoom out, the whole wall"],
    ["z", "plan and elevation close about the selected item"],
    ["\u2190 \u2192 on a picture", "the item before, the next along the wall; Home: the gravest"],
    ["j, k", "next, previous in the list; arrows when the list has the focus"],
    ["g", "the gravest item that holds the stage chosen, or the next one"],
    ["/", "to the filter"],
    ["d", "draft a decision on the selected item"],
    ["s", "list what holds the next stage"],
    ["?", "this help; Esc closes it"],
  ];
  let single = true;

  /** @param {string} id */
  const press = (id) => {
    const button = document.getElementById(id);
    if (button) button.click();
  };

  /** The list decides what next and previous are: the key is handed to it. @param {string} key */
  function toList(key) {
    const target = document.getElementById("list");
    if (target) target.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: false, cancelable: true }));
  }

  function toFilter() {
    const field = document.querySelector("#filters input[type=search], #filters input[type=text]");
    if (field instanceof HTMLElement) field.focus();
  }

  /** @type {Record<string, () => void>} */
  const actions = {
    "[": () => Level.move(-0.05),
    "]": () => Level.move(0.05),
    "+": () => zoom(1.5),
    "=": () => zoom(1.5),
    "-": () => zoom(1 / 1.5),
    "0": () => [Plan, Elevation].forEach((picture) => picture.fit()),
    z: () => [Plan, Elevation].forEach((picture) => picture.goTo(Store.get().item)),
    "/": toFilter,
    j: () => toList("ArrowDown"),
    k: () => toList("ArrowUp"),
    g: () => Stages.gravest() && Store.set({ item: Stages.gravest() }),
    d: () => Store.set({ drafting: true }),
    s: () => Stages.next(),
    "?": () => press("open-help"),
  };

  /** @param {number} factor the picture that has the focus, else the plan */
  function zoom(factor) {
    (document.activeElement === document.getElementById("elevation") ? Elevation : Plan).zoom(factor);
  }

  /** @param {EventTarget | null} target @returns {boolean} whether keys are letters there */
  function writes(target) {
    return target instanceof HTMLElement && (target.isContentEditable || target.matches("textarea, select")
      || (target.matches("input") && !target.matches("[type=range], [type=checkbox], [type=radio], [type=button]")));
  }

  document.addEventListener("keydown", (event) => {
    if (event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey || writes(event.target)) return;
    if (document.querySelector("dialog[open]")) return;
    if (turnPage(event) || (single && letter(event.key))) event.preventDefault();
  });

  /** @param {KeyboardEvent} event @returns {boolean} whether it was a key for the level */
  function turnPage({ key, shiftKey, target }) {
    const up = key === "PageUp" ? 1 : key === "PageDown" ? -1 : 0;
    // in the list they turn the list's pages
    if (!up || (target instanceof Element && target.closest("#list"))) return false;
    Level.move(up * (shiftKey ? 0.1 : 0.5));
    return true;
  }

  /** @param {string} key @returns {boolean} whether it does something */
  function letter(key) {
    const action = actions[key];
    if (action) action();
    return Boolean(action) || Level.goTo(key);
  }

  return {
    list,
    /** @returns {HTMLElement} the checkbox for the help */
    choice() {
      const box = Words.el("input", { type: "checkbox", checked: single, on: {
        change: (/** @type {Event} */ event) => {
          single = /** @type {HTMLInputElement} */ (event.target).checked;
        },
      } });
      return Words.el("label", null, box, " keys of one letter or sign");
    },
  };
})();
