"use strict";
/**
 * The list: what is not within first, as the summary ranks it; only the rows in sight are in the document.

 */
const List = (() => {
  /** Height of a row [px], and of one whose words need a second line. */
  const [ROW, TALL] = [22, 37];
  const SPARE = 6;
  /** An id is cut short beyond this [px]. */
  const MOST_ID = 140;
  /** Taken in a row beside the id and the words: mark and edges; and the edges of a tag [px]. */
  const [BESIDE, EDGES] = [58, 18];
  const LAPSED = "lapsed";
  const { el, foreign } = Words;
  const box = /** @type {HTMLElement} */ (document.getElementById("list"));
  const form = /** @type {HTMLFormElement} */ (document.getElementById("filters"));
  const sheet = el("div", { class: "sheet", role: "none" });
  const listed = el("span");
  /** @type {Row[]} */
  let rows = [];
  /** Where each row begins, and after the last one where the list ends [px]. @type {number[]} */
  let tops = [0];
  const pen = /** @type {CanvasRenderingContext2D} */ (document.createElement("canvas").getContext("2d"));
  /** Rows that can be chosen: places in `rows`. @type {number[]} */
  let choices = [];
  let active = -1;

  /** @param {Row} row @param {Filter} filter @param {string} text in lower case */
  function passes(row, filter, text) {
    const what = row.decision ? "decision" : row.finding ? "finding" : PLACES.get(row.id)?.kind || "";
    if (filter.what === "lapsed") {
      if (!row.decision || !Rows.lapsed(row.decision)) return false;
    } else if (filter.what && filter.what !== what) return false;
    // what has no verdict is not among those of one
    if (row.verdict < 0 && !row.finding && !row.decision && filter.verdicts.includes(false)) return false;
    if (row.finding && filter.what !== "finding" && filter.verdicts.includes(false)) return false;
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
    return !filter.file || row.finding?.file === filter.file || piles.some((k) => filesOf(k).has(filter.file));
  }

  /** @param {number} k @returns {Set<string>} every file that serves a pile */
  function filesOf(k) {
    const { start, file } = DATA.piles.sources;
    return new Set(file.slice(start[k], start[k + 1]).map((place) => DATA.files[place]));
  }

  /** @param {State} state @param {boolean} anew whether another stage was chosen */
  function fill(state, anew) {
    const text = state.filter.text.trim().toLowerCase();
    const groups = Rows.of(state);
    rows = [];
    choices = [];
    let all = 0;
    for (const [title, group] of groups) {
      all += group.length;
      const kept = group.filter((row) => passes(row, state.filter, text));
      const always = state.stage && group.length === 0 && title.startsWith("No holds");
      if (!kept.length && !always) continue;
      rows.push(Rows.heading(kept.length ? `${title}: ${kept.length}` : title));
      for (const row of kept) {
        choices.push(rows.length);
        rows.push({ ...row, number: choices.length });
      }
    }
    listed.textContent = `${choices.length} of ${all} listed`;
    /** @type {HTMLElement} */ (document.getElementById("clear-filters")).hidden = !filtered(state);
    active = rows.findIndex((row) => row.id !== "" && row.id === state.item);
    layOut();
    box.scrollTop = 0;
    // what holds a stage is seen from its beginning
    if (anew && state.stage) draw();
    else show();
  }

  /** @param {State} state */
  function filtered(state) {
    const { verdicts, ...rest } = state.filter;
    return verdicts.includes(false) || state.stage !== "" || Object.values(rest).some((value) => value !== "");
  }

  /** Gives each row its place: words that do not fit into one line get a second one. */
  function layOut() {
    const style = getComputedStyle(box);
    pen.font = `${style.fontSize} ${style.fontFamily}`;
    const room = box.clientWidth - BESIDE - Number.parseFloat(box.style.getPropertyValue("--id-width"));
    tops = [0];
    for (const row of rows) {
      const tag = !row.id || row.finding ? null : row.decision ? LAPSED : Items.tag(row.id)?.textContent;
      const tall = row.id && pen.measureText(row.text).width > room - (tag ? pen.measureText(tag).width + EDGES : 0);
      tops.push(tops[tops.length - 1] + (tall ? TALL : ROW));
    }
    sheet.style.height = `${tops[rows.length]}px`;
  }

  /** @param {number} y @returns {number} the row that stands there */
  function rowAt(y) {
    let [low, high] = [0, rows.length];
    while (low < high) {
      const middle = (low + high) >> 1;
      if (tops[middle + 1] <= y) low = middle + 1;
      else high = middle;
    }
    return low;
  }

  /** Puts the rows in sight, and a few more, into the document. */
  function draw() {
    const first = Math.max(0, rowAt(box.scrollTop) - SPARE);
    const last = Math.min(rows.length, rowAt(box.scrollTop + box.clientHeight) + 1 + SPARE);
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
      element.style.top = `${tops[place]}px`;
      return element;
    };
    if (!row.id) return top(el("div", { class: "group", role: "none" }, foreign(row.text)));
    const finding = row.finding || (row.decision && Items.findings.get(row.id));
    const mark = finding ? Items.findingMark(finding) : Words.verdictMark(row.verdict);
    const chosen = row.id === Store.get().item;
    const name = row.finding ? row.finding.item || row.finding.kind : row.id;
    return top(
      el(
        "div",
        {
          id: `row-${place}`,
          role: "option",
          class: tops[place + 1] - tops[place] > ROW ? "row tall" : "row",
          "aria-selected": chosen,
          "aria-setsize": choices.length,
          "aria-posinset": row.number,
          title: `${Words.clean(row.id)}: ${Words.clean(Items.reasons(row.id) || row.text)}`,
          on: { click: () => choose(place) },
        },
        mark,
        el("b", { class: "id" }, foreign(name)),
        el("span", { class: "says" }, foreign(row.text)),
        row.decision && Rows.lapsed(row.decision) && el("span", { class: "tag lapsed", text: LAPSED }),
        row.finding || row.decision ? null : Items.tag(row.id),
      ),
    );
  }

  /** Scrolls to the active row, then draws. */
  function show() {
    if (active >= 0) {
      const [top, bottom] = [tops[active] - ROW, tops[active + 1] + ROW];
      if (top < box.scrollTop) box.scrollTop = top;
      else if (bottom > box.scrollTop + box.clientHeight) box.scrollTop = bottom - box.clientHeight;
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
      ["decision", "decisions"],
      ["lapsed", "decisions that lapsed"],
    ]);
    const { kind, rig, progress, sources } = DATA.piles;
    const files = [...sources.file.map((place) => DATA.files[place]), ...DATA.findings.map((f) => f.file)];
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
          select("Load", "file", distinct(files, "any")),
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
      for (const [name, value] of Object.entries({ stage: state.stage, what: state.filter.what })) {
        const choice = /** @type {HTMLSelectElement | null} */ (form.querySelector(`select[name=${name}]`));
        if (choice) choice.value = value;
      }
      for (const tick of /** @type {NodeListOf<HTMLInputElement>} */ (form.querySelectorAll("[data-verdict]"))) {
        tick.checked = state.filter.verdicts[Number(tick.dataset.verdict)];
      }
      fill(state, state.stage !== before.stage);
    } else if (state.item !== before.item) {
      if (active < 0 || rows[active].id !== state.item) active = rows.findIndex((row) => row.id === state.item);
      show();
    }
  }

  /** @returns {number} one width for every id [px], so that the sentences stand under one another */
  function widestId() {
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
    new ResizeObserver(() => {
      layOut();
      show();
    }).observe(box);
    Store.on(onState);
  }

  return {
    start,
    /** Rows listed, as the print shows them. */
    listed: () => rows,
    /** Whether something other than a stage leaves rows out. */
    filtered: () => filtered({ ...Store.get(), stage: "" }),
    /** @returns {string} how many are listed */
    count: () => listed.textContent || "",
    /** @param {string} letter lists only what has this verdict */
    only: (letter) => refilter({ verdicts: DATA.letters.map((other) => other === letter) }),
    /** @param {string} what finding, decision, lapsed: lists those, whatever was left out before */
    kind(what) {
      clear();
      refilter({ what });
    },
  };
})();
