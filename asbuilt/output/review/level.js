"use strict";
/**
 * The level at which the wall is cut: slider, figure, and buttons for the levels that have names; and what goes with
 * the pictures: how much movements are enlarged, and zoom.
 */
const Level = (() => {
  const { levels } = DATA;
  const { el } = Words;
  const STEP = 0.05;
  const slider = /** @type {HTMLInputElement} */ (document.getElementById("level"));
  const figure = /** @type {HTMLInputElement} */ (document.getElementById("level-number"));
  const [lowest, highest] = [Math.floor(levels.bottom / STEP) * STEP, Math.ceil(levels.top / STEP) * STEP];

  /** @param {number} level @returns {number} within what there is, free of rounding errors */
  function held(level) {
    return Number(Math.min(Math.max(level, lowest), highest).toFixed(3));
  }

  /** @param {number} level @returns {number} the nearest step of the slider */
  function near(level) {
    return held(Math.round(level / STEP) * STEP);
  }

  /** Levels with names, the highest first; one button for those at one level. */
  const named = (() => {
    const rows = [
      { name: "cut-off", level: levels.cut_off, key: "c" },
      ...DATA.stages.map(({ name, level }, place) => ({ name, level, key: place < 9 ? `${place + 1}` : "" })),
      { name: "formation", level: levels.formation, key: "f" },
      { name: "interlock to", level: levels.interlock_to, key: "i" },
    ];
    /** @type {Map<number, {level: number, names: string[], keys: string[]}>} */
    const byLevel = new Map();
    for (const { name, level, key } of rows) {
      if (!Number.isFinite(level)) continue;
      const one = byLevel.get(level) || { level, names: [], keys: [] };
      one.names.push(name);
      if (key) one.keys.push(key);
      byLevel.set(level, one);
    }
    return [...byLevel.values()].sort((a, b) => b.level - a.level);
  })();

  /** @type {{level: number, button: HTMLButtonElement}[]} */
  const buttons = named.map(({ level, names, keys }) => {
    const button = el("button", {
      type: "button", class: "level-step", "aria-pressed": false, "aria-keyshortcuts": keys.join(" ") || null,
      title: names.join(", "), on: { click: () => Store.set({ level }) },
    });
    names.forEach((name, place) => button.append(place ? ", " : "", Words.foreign(name)));
    button.append(" ", el("span", { class: "figure", text: Words.level(level) }));
    return { level, button };
  });

  function build() {
    const steps = /** @type {HTMLElement} */ (document.getElementById("level-steps"));
    for (const { button } of buttons) steps.append(button);
    for (const input of [slider, figure]) {
      Object.assign(input, { min: String(held(lowest)), max: String(held(highest)), step: String(STEP) });
    }
    // a level that has a name need not lie on a step of the slider
    figure.step = "any";
    slider.addEventListener("input", () => Store.set({ level: near(slider.valueAsNumber) }));
    figure.addEventListener("change", () => {
      if (Number.isFinite(figure.valueAsNumber)) Store.set({ level: held(figure.valueAsNumber) });
      figure.value = Store.get().level.toFixed(2);
    });
  }

  function buildTools() {
    const choice = el("select", { "aria-label": "Movements drawn", title: "movements drawn so many times as long", on: {
      change: (/** @type {Event} */ event) =>
        Store.set({ exaggeration: Number(/** @type {HTMLSelectElement} */ (event.target).value) }),
    } });
    for (const times of [1, 2, 5, 10, 20, 50]) {
      choice.append(el("option", { value: times, text: `${times} ×`, selected: times === Store.get().exaggeration }));
    }
    const plan = /** @type {HTMLElement} */ (document.getElementById("plan-tools"));
    plan.append(choice, ...zooms(Plan, "plan"));
    const elevation = /** @type {HTMLElement} */ (document.getElementById("elevation-tools"));
    elevation.append(...zooms(Elevation, "elevation"));
  }

  /** @param {typeof Plan} picture @param {string} name */
  function zooms(picture, name) {
    /** @param {string} text @param {string} label @param {() => void} click */
    const button = (text, label, click) => el("button", { type: "button", "aria-label": label, title: label, text,
      on: { click } });
    return [
      button("+", `zoom into the ${name}`, () => picture.zoom(1.5)),
      button(Words.MINUS, `zoom out of the ${name}`, () => picture.zoom(1 / 1.5)),
      button("whole", `the whole wall in the ${name}`, () => picture.fit()),
      button("item", `the ${name} close about the selected item`, () => picture.goTo(Store.get().item)),
    ];
  }

  build();
  buildTools();
  Store.on(({ level }) => {
    slider.value = String(level);
    slider.setAttribute("aria-valuetext", `${Words.level(level)} metres`);
    if (document.activeElement !== figure) figure.value = level.toFixed(2);
    for (const one of buttons) one.button.setAttribute("aria-pressed", String(one.level === level));
  });

  return {
    near,
    /** @param {number} by metres up */
    move: (by) => Store.set({ level: near(Store.get().level + by) }),
    /** @param {string} key of a level that has a name @returns {boolean} whether there is one */
    goTo(key) {
      const found = named.find((one) => one.keys.includes(key));
      if (found) Store.set({ level: found.level });
      return found !== undefined;
    },
  };
})();
