"use strict";
/**
 * All that is known about the selected item: verdict, reasons, figures, chart, neighbours, where the readings stand.
 *
 * @typedef {[label: string, value: string, unit: string, level: string]} Figure
 */
const Detail = (() => {
  const { el, foreign, mm, level, known } = Words;
  const title = /** @type {HTMLElement} */ (document.getElementById("detail-title"));
  const body = /** @type {HTMLElement} */ (document.getElementById("detail-body"));
  const NONE = "not measured";
  /** Follows the level of the slice; does nothing where no chart is shown. @type {(z: number) => void} */
  let moveChart = () => {};
  let joint = -1;

  /**
   * One line of figures; a figure that is not there is said to be not measured, unless `none` says what null means.
   * @param {string} label @param {number | null | undefined} value @param {string} unit
   * @param {{places?: number, u?: number | null, at?: number | null, limit?: number | null, none?: string,
   *   used?: number | null}}  [more]
   * @returns {Figure}
   */
  function figure(label, value, unit, more = {}) {
    if (!known(value)) return [label, more.none || NONE, "", ""];
    const places = more.places || 0;
    const text = known(more.limit) ? Words.against(value, more.limit, places) : mm(value, places);
    const spread = known(more.u) ? ` \u00b1 ${mm(2 * more.u, places)}` : "";
    return [
      label,
      text + spread,
      unit,
      known(more.used) ? `${mm(more.used)} % used` : known(more.at) ? `at ${level(more.at)}` : "",
    ];
  }

  /** @param {string} label @param {number | null | undefined} value @param {string} none */
  const levelFigure = (label, value, none) =>
    /** @type {Figure} */ ([label, known(value) ? level(value) : none, known(value) ? "m" : "", ""]);

  /** @param {string} label @param {number | null | undefined} p @param {number | null} [at] */
  const chanceFigure = (label, p, at) =>
    /** @type {Figure} */ ([
      label,
      known(p) ? Words.chance(p) : NONE,
      "",
      known(p) && known(at) ? `at ${level(at)}` : "",
    ]);

  /** @param {number} j @returns {Figure[]} */
  function jointFigures(j) {
    const f = DATA.joints.figures;
    const asked = DATA.joints.required_mm[j];
    const levels = DATA.joints.levels_known[j] ? "none in its range" : NONE;
    const range = `${level(f.range_top[j])} to ${level(f.range_bottom[j])}`;
    return [
      figure("Overlap, least", f.least_overlap_mm[j], "mm", { at: f.least_level[j], limit: asked }),
      figure("Overlap asked for", asked, "mm"),
      levelFigure("Lost from", f.lost_level[j], levels),
      levelFigure("Open from", f.open_level[j], levels),
      levelFigure("Not sure from", f.sure_level[j], levels),
      widestGap(j),
      chanceFigure("Chance, by the axes alone", f.p_interlock[j], f.governing_level[j]),
      figure("Its uncertainty, 2 u", known(f.u_overlap_mm[j]) ? 2 * Number(f.u_overlap_mm[j]) : null, "mm", {
        at: f.governing_level[j],
      }),
      figure("Overlap at the top", f.overlap_cut_off_mm[j], "mm", { at: f.range_top[j], limit: asked }),
      figure("Overlap at formation", f.overlap_formation_mm[j], "mm", {
        limit: asked,
        none: "not measured, or out of range",
      }),
      figure("Overlap of the design", f.design_overlap_mm[j], "mm"),
      figure("Other lean model, least", f.other_model_least_overlap_mm[j], "mm", {
        at: f.other_model_least_level[j],
        limit: asked,
        none: known(f.least_overlap_mm[j]) ? "no other" : NONE,
      }),
      figure("Moved apart (+)", f.least_along_mm[j], "mm", { at: f.least_level[j] }),
      figure("Second pile to the pit (+)", f.least_across_mm[j], "mm", { at: f.least_level[j] }),
      figure("Thickness at formation", f.thickness_formation_mm[j], "mm", {
        none: "not measured, or out of range",
      }),
      ["Must interlock", range, "m", ""],
      levelFigure("Predicted below", f.predicted_below[j], NONE),
    ];
  }

  /** @param {number} j @returns {Figure} */
  function widestGap(j) {
    const f = DATA.joints.figures;
    const [gap, open, top] = [f.worst_opening_mm[j], f.open_level[j], f.overlap_cut_off_mm[j]];
    // without the axes only the top is known
    if (!known(gap) && known(top) && top < 0) return figure("Gap at the top, the rest not known", -top, "mm");
    const toe = known(open) && Geometry.ended(j, open - 0.001) >= 0;
    return figure("Widest gap", gap, "mm", { at: f.worst_opening_level[j], none: toe ? "below a built toe" : NONE });
  }

  /** @param {number} k @returns {Figure} on which side of the clear outline the face stands */
  function faceFigure(k) {
    const f = DATA.piles.figures;
    const inside = f.face_inside_mm[k];
    const more = { at: f.face_inside_level[k], none: DATA.clear_outline.length ? NONE : "no outline given" };
    if (known(inside) && inside < 0) return figure("Face clear of the outline by", -inside, "mm", more);
    return figure("Face inside the clear outline", inside, "mm", more);
  }

  /** @param {number} k @returns {Figure[]} */
  function pileFigures(k) {
    const f = DATA.piles.figures;
    const cut = DATA.piles.cut_off[k];
    const u = f.u_offset_mm[k];
    return [
      figure("Off in plan at cut-off", f.offset_mm[k], "mm", { at: cut, u, limit: f.allowed_mm[k] }),
      figure("Allowed in plan", f.allowed_mm[k], "mm", { none: "not set", used: f.plan_of_allowed_percent[k] }),
      figure("Towards the pit", f.towards_pit_mm[k], "mm", { at: cut, u }),
      figure("Along the wall", f.along_wall_mm[k], "mm", { at: cut, u }),
      figure("Off the approved set-out", f.offset_from_set_out_mm[k], "mm", { none: "none approved" }),
      figure("Lean, cut-off to toe", f.incline_mm_per_m[k], "mm/m", { places: 2, limit: f.allowed_mm_per_m[k] }),
      ["Lean in words", DATA.piles.one_in[k] || NONE, "", ""],
      figure("Lean allowed", f.allowed_mm_per_m[k], "mm/m", {
        places: 2,
        none: "not set",
        used: f.vertical_of_allowed_percent[k],
      }),
      figure("Steepest over 3 m", f.steepest_mm_per_m[k], "mm/m", { places: 2 }),
      figure("Greatest towards the pit", f.worst_towards_pit_mm[k], "mm", { at: f.worst_towards_pit_level[k] }),
      faceFigure(k),
      chanceFigure("Chance that plan conforms", f.p_plan[k]),
      chanceFigure("Chance that lean conforms", f.p_vertical[k]),
      chanceFigure("Chance that it keeps clear", f.p_encroach[k]),
      levelFigure("Toe as recorded", f.toe_level[k], "not recorded"),
      levelFigure("Cut-off", cut, NONE),
      levelFigure("Predicted below", f.predicted_below[k], NONE),
      figure("Diameter used", f.diameter_mm[k], "mm"),
    ];
  }

  /** @param {Figure[]} rows */
  function figureTable(rows) {
    return el(
      "table",
      { class: "figures" },
      el(
        "tbody",
        null,
        ...rows.map(([label, value, unit, at]) =>
          el(
            "tr",
            null,
            el("th", { scope: "row", text: label }),
            el(
              "td",
              { class: value === NONE ? "missing" : "" },
              value,
              unit && el("span", { class: "unit", text: ` ${unit}` }),
            ),
            el("td", { class: "at", text: at }),
          ),
        ),
      ),
    );
  }

  /** @param {string} id @returns {HTMLElement} */
  function reasonList(id) {
    const clauses = Items.reasons(id).split("; ").filter(Boolean);
    if (clauses.length) return el("ul", { class: "reasons" }, ...clauses.map((text) => el("li", null, foreign(text))));
    return el("p", {
      class: "soft",
      text: Items.verdict(id) < 0 ? "No check is made on it." : "Nothing found by these checks.",
    });
  }

  /** @param {number} k pile @returns {HTMLElement} each check with its verdict */
  function checkLine(k) {
    const names = /** @type {[string, string][]} */ ([
      ["plan", "plan"],
      ["vertical", "lean"],
      ["encroach", "encroachment"],
      ["toe", "toe"],
    ]);
    return el(
      "p",
      { class: "checks" },
      ...names.map(([name, says]) => el("span", null, Words.verdictMark(DATA.piles.checks[name][k]), ` ${says}`)),
    );
  }

  /** @param {string} id @returns {Node[]} the neighbours of a pile, the piles and next joints of a joint */
  function neighbours(id) {
    const { a, b, id: ids } = DATA.joints;
    const piles = Items.pilesOf(id);
    const near = ids.filter((other, j) => other !== id && (piles.includes(a[j]) || piles.includes(b[j])));
    const items = PLACES.get(id)?.kind === "joint" ? [...piles.map((k) => DATA.piles.id[k]), ...near] : near;
    return items.map((item) => el("span", { class: "near" }, Words.verdictMark(Items.verdict(item)), Items.link(item)));
  }

  /** @param {number} k @returns {HTMLElement} rows of the input tables that serve a pile, and its lean readings */
  function readings(k) {
    const { sources, profile: p } = DATA.piles;
    /** @type {Map<string, number[]>} */
    const lines = new Map();
    for (let i = sources.start[k]; i < sources.start[k + 1]; i++) {
      const from = `${sources.table[i]}\n${DATA.files[sources.file[i]]}`;
      lines.set(from, [...(lines.get(from) || []), sources.line[i]]);
    }
    const rows = Array.from({ length: p.reading_start[k + 1] - p.reading_start[k] }, (_, i) => p.reading_start[k] + i);
    return el(
      "div",
      { class: "sources" },
      el("h4", null, foreign(DATA.piles.id[k])),
      lines.size ? null : el("p", { class: "missing", text: "Nothing has been taken in for it." }),
      el(
        "ul",
        { class: "plain" },
        ...[...lines].map(([from, at]) => {
          const [table, file] = from.split("\n");
          return el("li", null, el("span", null, `${table}: `, foreign(file), `:${at.join(", ")}`));
        }),
      ),
      rows.length ? readingTable(k, rows) : el("p", { class: "missing", text: "No lean reading." }),
    );
  }

  /** @param {number} k @param {number[]} rows */
  function readingTable(k, rows) {
    const p = DATA.piles.profile;
    return el(
      "table",
      { class: "readings" },
      el(
        "thead",
        null,
        el("tr", null, ...["level", p.first[k], p.second[k], "rows"].map((text) => el("th", { scope: "col", text }))),
      ),
      el(
        "tbody",
        null,
        ...rows.map((i) =>
          el(
            "tr",
            null,
            el("td", { text: level(p.reading_level[i]) }),
            el("td", { text: Words.signed(p.reading_a_mm_per_m[i], 1) }),
            el("td", { text: Words.signed(p.reading_b_mm_per_m[i], 1) }),
            el("td", { text: String(p.reading_count[i]) }),
          ),
        ),
      ),
      el("caption", { text: "lean to the toe, mm/m" }),
    );
  }

  /** @param {string} id @returns {HTMLElement | null} */
  function sourceSection(id) {
    const piles = Items.pilesOf(id);
    if (!piles.length) return null;
    return el(
      "details",
      { class: "where" },
      el("summary", { text: "Readings, and where they came from" }),
      ...piles.map(readings),
    );
  }

  /** @param {string} id what it is, in words */
  function describe(id) {
    const found = PLACES.get(id);
    if (!found) return el("span", { text: "finding" });
    const { kind, wall, status, progress, rig } = DATA.piles;
    const place = found.place;
    if (found.kind === "joint") {
      const { a, b } = DATA.joints;
      return el(
        "span",
        null,
        `joint of wall `,
        foreign(DATA.joints.wall[place]),
        `: ${kind[a[place]]} with ${kind[b[place]]}`,
      );
    }
    return el(
      "span",
      null,
      `${kind[place]} pile of wall `,
      foreign(wall[place]),
      `, ${status[place] === "planned" ? "" : `${status[place]}, `}${progress[place]}`,
      rig[place] && ", rig ",
      rig[place] && foreign(rig[place]),
    );
  }

  /** @param {string} id @returns {HTMLElement} */
  function actions(id) {
    const page = DATA.page_of[id];
    return el(
      "p",
      { class: "actions" },
      el(
        "button",
        { type: "button", id: "draft-this", "aria-keyshortcuts": "d", on: { click: () => Drafts.open(id) } },
        "Draft a decision on ",
        foreign(id),
      ),
      page !== undefined && el("span", { class: "soft", text: `page ${page} of sheets.pdf` }),
    );
  }

  /** @param {string} id @returns {HTMLElement} chart of a pile or joint, or words that say why there is none */
  function chart(id) {
    const found = /** @type {{kind: string, place: number}} */ (PLACES.get(id));
    const drawn = found.kind === "pile" ? Chart.pile(found.place) : Chart.joint(found.place);
    moveChart = drawn ? drawn.move : () => {};
    const why =
      found.kind === "pile"
        ? "No axis is known: there is nothing to draw along its depth."
        : "Not measured: there is nothing to draw along its depth.";
    return drawn ? drawn.body : el("p", { class: "missing", text: why });
  }

  /** @param {string} id @returns {(Node | null)[]} */
  function itemParts(id) {
    const found = /** @type {{kind: string, place: number}} */ (PLACES.get(id));
    const pile = found.kind === "pile";
    const near = neighbours(id);
    return [
      reasonList(id),
      pile ? checkLine(found.place) : null,
      actions(id),
      el("p", { id: "here", class: "here", hidden: pile }),
      Record.holds(id),
      Record.decisions(id),
      chart(id),
      near.length ? el("p", { class: "neighbours" }, el("span", { class: "soft", text: "Beside it " }), ...near) : null,
      Record.section("Figures", figureTable(pile ? pileFigures(found.place) : jointFigures(found.place))),
      Record.findings(id),
      sourceSection(id),
    ];
  }

  /** @param {string} id @returns {(Node | null)[]} what it says, and all that it speaks of */
  function findingParts(id) {
    const item = Items.findings.get(id)?.item || "";
    const head = [actions(id), Record.findings(id), Record.decisions(id)];
    moveChart = () => {};
    const found = PLACES.get(item);
    if (!found) return [...head, Record.alike(id)];
    const about = el("p", { class: "checks" }, Words.verdictMark(Items.verdict(item)), Items.link(item));
    const rows = found.kind === "pile" ? pileFigures(found.place) : jointFigures(found.place);
    return [
      ...head,
      Record.section("It speaks of", about, reasonList(item), chart(item)),
      Record.holds(item),
      Record.decisions(item),
      Record.section("Figures", figureTable(rows)),
      Record.findings(item, id),
      sourceSection(item),
      Record.alike(id),
    ];
  }

  /** @param {string} id */
  function show(id) {
    const found = PLACES.get(id);
    joint = found?.kind === "joint" ? found.place : -1;
    if (!id) {
      title.replaceChildren("Nothing selected");
      body.replaceChildren(
        el("p", { class: "soft", text: "Choose a pile or a joint in the list, the plan or the wall." }),
      );
      moveChart = () => {};
      return;
    }
    const code = Items.verdict(id);
    const mark = found ? Words.verdictMark(code) : null;
    title.replaceChildren(...(mark ? [mark] : []), el("span", { class: "id" }, foreign(id)));
    if (code >= 0) {
      title.append(el("span", { class: `verdict ${Words.verdictClass(code)}`, text: DATA.verdicts[code] }));
    }
    const parts = found ? itemParts(id) : findingParts(id);
    body.replaceChildren(el("p", { class: "soft" }, describe(id)), ...parts.filter((part) => part !== null));
    /** @type {HTMLElement} */ (document.getElementById("detail")).scrollTop = 0;
  }

  /** @param {number} z what the joint is at the level of the plan */
  function here(z) {
    moveChart(z);
    const line = document.getElementById("here");
    if (joint < 0 || !line) return;
    const code = Geometry.state(joint, z);
    const overlap = Geometry.overlap(joint, z);
    const state = DATA.joint_states[code] || "";
    const asked = DATA.joints.required_mm[joint];
    const ended = Geometry.ended(joint, z);
    /** @type {(Node | string)[]} */
    let says = [state];
    if (!state) says = ["outside the range where it must interlock"];
    else if (ended >= 0) says.push(": ", foreign(DATA.piles.id[ended]), ` ends at ${level(DATA.piles.toe[ended])}`);
    else if (overlap !== null && overlap < 0) says.unshift(`gap ${mm(-overlap)} mm, `);
    else if (overlap !== null) says.unshift(`overlap ${Words.against(overlap, asked)} mm, `);
    line.replaceChildren(`At ${level(z)}: `, el("b", null, ...says));
  }

  function start() {
    Store.on((state, before) => {
      const first = state === before;
      if (first || state.item !== before.item) show(state.item);
      if (first || state.item !== before.item || state.level !== before.level) here(state.level);
    });
  }

  return { start };
})();
