"use strict";
/**
 * The list: what is not within first, as the summary ranks it; only the rows in sight are in the document.
 *
 * @typedef {object} Row
 * @property {string} id  "" for a heading
 * @property {string} text
 * @property {number} verdict
 * @property {Finding | null} finding
 * @property {number} number  place among the rows that can be chosen
 */
const List = (() => {
  const ROW = 22;
  const SPARE = 6;
  /** An id is cut short beyond this [px]. */
  const MOST_ID = 140;
  const { el, foreign } = Words;
  const box = /** @type {HTMLElement} */ (document.getElementById("list"));
  const form = /** @type {HTMLFormElement} */ (document.getElementById("filters"));
  const sheet = el("div", { class: "sheet", role: "none" });
  const listed = el("span");
  /** @type {Row[]} */
  let rows = [];
  /** Rows that can be chosen: places in `rows`. @type {number[]} */
  let choices = [];
  let active = -1;

  /** @param {string} id @returns {Row} */
  const itemRow = (id) => ({ id, text: Items.short(id), verdict: Items.verdict(id), finding: null, number: -1 });
  /** @param {Finding} f @returns {Row} */
  const findingRow = (f) => ({ id: f.id, text: Items.signed(f.text), verdict: -1, finding: f, number: -1 });
  /** @param {Hold} hold @returns {Row} */
  function holdRow(hold) {
    const row = itemRow(hold.item);
    if (hold.check !== "joint") row.text = Items.shorten(Items.signed(hold.text).split("; ")[0]);
    row.verdict = hold.verdict;
    return row;
  }

  /** @param {Hold[]} holds the gravest first @returns {Row[]} a row for each item, with all that holds it */
  function holdRows(holds) {
    /** @type {Map<string, Row>} */
    const found = new Map();
    for (const hold of holds) {
      const former = found.get(hold.item);
      if (former) former.text += `; ${holdRow(hold).text}`;
      else found.set(hold.item, holdRow(hold));
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

  /** @param {string} name @returns {[string, Row[]][]} */
  function stageGroups(name) {
    const stage = DATA.stages.find((one) => one.name === name);
    if (!stage) return everything;
    const unmeasured = (/** @type {Hold} */ hold) => DATA.letters[hold.verdict] === "N";
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

  /** @param {Row} row @param {Filter} filter @param {string} text in lower case */
  function passes(row, filter, text) {
    const what = row.finding ? "finding" : PLACES.get(row.id)?.kind || "";
    if (filter.what && filter.what !== what) return false;
    // what has no verdict is not among those of one
    if (row.verdict < 0 && filter.what !== "finding" && filter.verdicts.includes(false)) return false;
    if (row.verdict >= 0 && !filter.verdicts[row.verdict]) return false;
    if (text && !`${row.id} ${row.text} ${Items.reasons(row.id)}`.toLowerCase().includes(text)) return false;
    return passesPiles(row, filter);
  }

  /** @param {Row} row @param {Filter} filter one of the item's piles is of that kind, load, rig, progress */
  function passesPiles(row, filter) {
    const piles = Items.pilesOf(row.finding ? row.finding.item : row.id);
    const has = (/** @type {string[]} */ column, /** @type {string} */ value) => piles.some((k) => column[k] === value);
    if (filter.kind && !has(DATA.piles.kind, filter.kind)) return false;
    if (filter.rig && !has(DATA.piles.rig, filter.rig)) return false;
    if (filter.progress && !has(DATA.piles.progress, filter.progress)) return false;
    return !filter.file || row.finding?.file === filter.file || has(DATA.piles.file, filter.file);
  }

  /** @param {State} state */
  function fill(state) {
    const text = state.filter.text.trim().toLowerCase();
    const groups = state.stage ? stageGroups(state.stage) : everything;
    rows = [];
    choices = [];
    let all = 0;
    for (const [title, group] of groups) {
      all += group.length;
      const kept = group.filter((row) => passes(row, state.filter, text));
      const always = state.stage && group.length === 0 && title.startsWith("No holds");
      if (!kept.length && !always) continue;
      rows.push({
        id: "",
        text: kept.length ? `${title}: ${kept.length}` : title,
        verdict: -1,
        finding: null,
        number: -1,
      });
      for (const row of kept) {
        choices.push(rows.length);
        rows.push({ ...row, number: choices.length });
      }
    }
    sheet.style.height = `${rows.length * ROW}px`;
    listed.textContent = `${choices.length} of ${all} listed`;
    /** @type {HTMLElement} */ (document.getElementById("clear-filters")).hidden = !filtered(state);
    active = rows.findIndex((row) => row.id !== "" && row.id === state.item);
    box.scrollTop = 0;
    show();
  }

  /** @param {State} state */
  function filtered(state) {
    const { verdicts, ...rest } = state.filter;
    return verdicts.includes(false) || state.stage !== "" || Object.values(rest).some((value) => value !== "");
  }

  /** Puts the rows in sight, and a few more, into the document. */
  function draw() {
    const first = Math.max(0, Math.floor(box.scrollTop / ROW) - SPARE);
    const last = Math.min(rows.length, Math.ceil((box.scrollTop + box.clientHeight) / ROW) + SPARE);
    const places = Array.from({ length: Math.max(0, last - first) }, (_, k) => first + k);
    // the active row stays in the document even out of sight: aria-activedescendant names it
    if (active >= 0 && (active < first || active >= last)) places.push(active);
    sheet.replaceChildren(...places.map(drawRow));
    if (active >= 0) box.setAttribute("aria-activedescendant", `row-${active}`);
    else box.removeAttribute("aria-activedescendant");
  }

  /** @param {number} place @returns {HTMLElement} */
  function drawRow(place) {
    const row = rows[place];
    const top = (/** @type {HTMLElement} */ element) => {
      element.style.top = `${place * ROW}px`;
      return element;
    };
    if (!row.id) return top(el("div", { class: "group", role: "none" }, foreign(row.text)));
    const mark = row.finding ? Items.findingMark(row.finding) : Words.verdictMark(row.verdict);
    const chosen = row.id === Store.get().item;
    const decided = row.finding ? "" : Items.decision(row.id);
    const name = row.finding ? row.finding.item || row.finding.kind : row.id;
    return top(
      el(
        "div",
        {
          id: `row-${place}`,
          role: "option",
          class: "row",
          "aria-selected": chosen,
          "aria-setsize": choices.length,
          "aria-posinset": row.number,
          title: `${Words.clean(row.id)}: ${Words.clean(Items.reasons(row.id) || row.text)}`,
          on: { click: () => choose(place) },
        },
        mark,
        el("b", { class: "id" }, foreign(name)),
        el("span", { class: "says" }, foreign(row.text)),
        decided && el("span", { class: `tag ${decided}`, text: decided }),
      ),
    );
  }

  /** Scrolls to the active row, then draws. */
  function show() {
    if (active >= 0) {
      const top = active * ROW;
      if (top - ROW < box.scrollTop) box.scrollTop = top - ROW;
      else if (top + 2 * ROW > box.scrollTop + box.clientHeight) box.scrollTop = top + 2 * ROW - box.clientHeight;
    }
    draw();
  }

  /** @param {number} place */
  function choose(place) {
    active = place;
    show();
    Store.set({ item: rows[place].id });
  }

  /** @param {number} step rows on, or back when negative */
  function move(step) {
    if (!choices.length) return;
    const now = choices.indexOf(active);
    const next = now < 0 ? 0 : Math.max(0, Math.min(choices.length - 1, now + step));
    choose(choices[next]);
  }

  /** @param {KeyboardEvent} event */
  function onKey(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const page = Math.max(1, Math.floor(box.clientHeight / ROW) - 2);
    /** @type {Record<string, number>} */
    const steps = {
      ArrowDown: 1,
      ArrowUp: -1,
      PageDown: page,
      PageUp: -page,
      Home: -rows.length,
      End: rows.length,
    };
    if (event.key === "Enter") /** @type {HTMLElement} */ (document.getElementById("detail")).focus();
    else if (event.key in steps) move(steps[event.key]);
    else return;
    event.preventDefault();
    event.stopPropagation();
  }

  /** @param {Partial<Filter>} change */
  const refilter = (change) => Store.set({ filter: { ...Store.get().filter, ...change } });

  /** @param {string} label @param {string} name @param {[string, string][]} options value and words, first for all */
  function select(label, name, options) {
    const choice = el(
      "select",
      {
        name,
        on: {
          change: () => {
            if (name === "stage") Stages.choose(choice.value);
            else refilter({ [name]: choice.value });
          },
        },
      },
      ...options.map(([value, words]) => el("option", { value, text: words })),
    );
    return el("label", null, el("span", { text: label }), choice);
  }

  /** @param {string[]} values @param {string} all @returns {[string, string][]} */
  function distinct(values, all) {
    const found = [...new Set(values)].filter(Boolean).sort();
    return [["", all], .../** @type {[string, string][]} */ (found.map((value) => [value, Words.clean(value)]))];
  }

  /** @returns {HTMLElement[]} a box for each verdict with how many items have it, the gravest first */
  function verdictBoxes() {
    const all = [...DATA.piles.verdict, ...DATA.joints.verdict];
    return ["X", "N", "U", "W"].map((letter) => {
      const code = DATA.letters.indexOf(letter);
      const tick = el("input", {
        type: "checkbox",
        checked: true,
        "data-verdict": code,
        on: {
          change: () => {
            const verdicts = [...Store.get().filter.verdicts];
            verdicts[code] = tick.checked;
            refilter({ verdicts });
          },
        },
      });
      const many = all.filter((verdict) => verdict === code).length;
      return el("label", { class: "tick", title: DATA.verdicts[code] }, tick, Words.verdictMark(code), `${many}`);
    });
  }

  function buildFilters() {
    const text = el("input", {
      type: "search",
      id: "filter-text",
      placeholder: "id or words",
      "aria-label": "Filter by id or words",
      autocomplete: "off",
      spellcheck: "false",
      "aria-keyshortcuts": "/",
      on: { input: () => refilter({ text: text.value }) },
    });
    const what = select("List", "what", [
      ["", "all"],
      ["joint", "joints"],
      ["pile", "piles"],
      ["finding", "findings"],
    ]);
    const { kind, file, rig, progress } = DATA.piles;
    const stages = /** @type {[string, string][]} */ (DATA.stages.map((one) => [one.name, Words.clean(one.name)]));
    form.append(
      el("div", { class: "line" }, text, what),
      el("div", { class: "line ticks" }, ...verdictBoxes()),
      el(
        "details",
        null,
        el("summary", { text: "Kind, stage, load, rig, progress" }),
        el(
          "div",
          { class: "more" },
          select("Kind", "kind", distinct(kind, "any")),
          select("Stage", "stage", [["", "any"], ...stages]),
          select("Load", "file", distinct(file, "any")),
          select("Rig", "rig", distinct(rig, "any")),
          select("Progress", "progress", distinct(progress, "any")),
        ),
      ),
    );
    form.addEventListener("submit", (event) => event.preventDefault());
    /** @type {HTMLElement} */ (document.getElementById("list-count")).append(
      listed,
      el("button", { type: "button", class: "link", id: "clear-filters", text: "clear filters", on: { click: clear } }),
    );
  }

  function clear() {
    const filter = {
      text: "",
      verdicts: DATA.verdicts.map(() => true),
      what: "",
      kind: "",
      file: "",
      rig: "",
      progress: "",
    };
    Store.set({ stage: "", filter: { ...Store.get().filter, ...filter } });
    form.reset();
    box.focus();
  }

  /** @param {State} state @param {State} before */
  function onState(state, before) {
    if (state === before || state.filter !== before.filter || state.stage !== before.stage) {
      const stage = /** @type {HTMLSelectElement | null} */ (form.querySelector("select[name=stage]"));
      if (stage) stage.value = state.stage;
      for (const tick of /** @type {NodeListOf<HTMLInputElement>} */ (form.querySelectorAll("[data-verdict]"))) {
        tick.checked = state.filter.verdicts[Number(tick.dataset.verdict)];
      }
      fill(state);
    } else if (state.item !== before.item) {
      if (active < 0 || rows[active].id !== state.item) active = rows.findIndex((row) => row.id === state.item);
      show();
    }
  }

  /** @returns {number} one width for every id [px], so that the sentences stand under one another */
  function widestId() {
    const pen = /** @type {CanvasRenderingContext2D} */ (document.createElement("canvas").getContext("2d"));
    const { fontSize, fontFamily } = getComputedStyle(box);
    pen.font = `bold ${fontSize} ${fontFamily}`;
    const widths = [...DATA.piles.id, ...DATA.joints.id].map((id) => pen.measureText(id).width);
    return Math.min(MOST_ID, Math.ceil(widths.reduce((most, width) => Math.max(most, width), 30)) + 1);
  }

  function start() {
    box.style.setProperty("--id-width", `${widestId()}px`);
    box.append(sheet);
    buildFilters();
    box.addEventListener("scroll", () => requestAnimationFrame(draw), { passive: true });
    box.addEventListener("keydown", onKey);
    new ResizeObserver(show).observe(box);
    Store.on(onState);
  }

  return {
    start,
    /** Rows listed, as the print shows them. */
    listed: () => rows,
    /** @param {string} letter lists only what has this verdict */
    only: (letter) => refilter({ verdicts: DATA.letters.map((other) => other === letter) }),
  };
})();
