"use strict";
/**
 * What goes on paper: what holds each stage first, then the pictures, the selected item, and what else is listed.
 */
const Print = (() => {
  const { el, foreign, level } = Words;
  /** Rows of the list, and items that changed, that are printed. */
  const MOST = 200;
  const byId = (/** @type {string} */ id) => /** @type {HTMLElement} */ (document.getElementById(id));

  /** @param {Sheet} sheet @param {string} name @param {number} width @param {number} height for the paper */
  function picture(sheet, name, width, height) {
    const canvas = el("canvas", { class: "printed" });
    sheet.onto(canvas, width, height, 3);
    return el("figure", null, el("figcaption", null, name), canvas);
  }

  /** @param {Node} mark @param {string} name @param {string} text @param {Node | string | null} tag */
  const line = (mark, name, text, tag) =>
    el(
      "tr",
      null,
      el("td", null, mark),
      el("td", null, el("b", null, foreign(name))),
      el("td", null, foreign(text)),
      el("td", null, tag),
    );

  /** @param {HTMLElement[]} rows */
  const table = (rows) =>
    el("div", { class: "listed" }, el("table", { class: "listing" }, el("tbody", null, ...rows)));

  /** @param {Stage} stage @param {Set<string>} told what has been printed for a stage above; grows */
  function stagePart(stage, told) {
    const name = (/** @type {Hold} */ { item, text }) => `${item}\n${text}`;
    const before = Items.eachOnce(stage.held_by.filter((hold) => told.has(name(hold)))).length;
    const held = stage.held_by.filter((hold) => !told.has(name(hold)) && told.add(name(hold)));
    const many = Items.eachOnce(stage.held_by).length;
    return el(
      "section",
      null,
      el(
        "h2",
        null,
        foreign(stage.name),
        ` to ${level(stage.level)} m: `,
        many ? `held by ${many} ` : "no holds found by these checks: this releases nothing",
        ...Stages.tally(stage.held_by),
      ),
      el("p", { text: `${Stages.asked(stage)}${before ? `. ${before} of them are named above` : ""}.` }),
      held.length
        ? table(
            held.map((hold) => {
              const [short, full] = [Items.holdWords(hold), Items.signed(hold.text)];
              const text = full.startsWith(short) ? full : `${short}. ${full}`;
              return line(Words.verdictMark(hold.verdict), hold.item, text, Items.tag(hold.item));
            }),
          )
        : null,
    );
  }

  /** @returns {(HTMLElement | null)[]} what is listed, not printed above, and not within unless asked for */
  function listPart() {
    const all = List.filtered();
    const held = new Set(DATA.stages.flatMap((stage) => stage.held_by.map((hold) => hold.item)));
    const grave = (/** @type {Row} */ { verdict }) => verdict >= 0 && DATA.letters[verdict] !== "W";
    const fits = (/** @type {Row} */ row) => all || row.finding || (!held.has(row.id) && grave(row));
    const rows = List.listed().filter((row) => row.id && fits(row));
    if (!rows.length) return [];
    const shown = rows.slice(0, MOST);
    const title = all ? "Listed, as filtered" : "Not within, and holding no stage; findings";
    return [
      el("h2", { text: `${title}: ${rows.length}` }),
      table(
        shown.map((row) => {
          const mark = row.finding ? Items.findingMark(row.finding) : Words.verdictMark(row.verdict);
          const text = row.decision ? row.text : Items.reasons(row.id) || row.text;
          const tag = row.finding || row.decision ? null : Items.tag(row.id);
          return line(mark, row.finding ? row.finding.item : row.id, text, tag);
        }),
      ),
      rows.length > shown.length
        ? el("p", { text: `${rows.length - shown.length} more are not printed; schedule.csv and joints.csv list all.` })
        : null,
    ];
  }

  /** @returns {HTMLElement} the selected item, as the page shows it */
  function itemPart() {
    const { item } = Store.get();
    const detail = el(
      "div",
      { class: "detail" },
      el("h2", null, PLACES.has(item) && Words.verdictMark(Items.verdict(item)), " ", foreign(item)),
      ...[...byId("detail-body").childNodes].map((node) => node.cloneNode(true)),
    );
    for (const twin of detail.querySelectorAll("[id]")) twin.removeAttribute("id");
    return detail;
  }

  function fill() {
    /** @type {Set<string>} */
    const told = new Set();
    byId("print-only").replaceChildren(
      el("h1", null, foreign(DATA.site)),
      el(
        "p",
        null,
        `Inputs ${DATA.inputs_sha256.slice(0, 16)}, asbuilt ${DATA.tool_version}. `,
        ...Stages.marks().flatMap((mark) => [mark, " "]),
      ),
      el("p", { class: "lead" }, ...Stages.sentence()),
      el("p", { class: "all-cautions", text: DATA.cautions.join(" ") }),
      ...Dug.map((stage) => stagePart(stage, told)),
      picture(Plan, `Plan at ${level(Store.get().level)}`, 1040, 400),
      picture(Elevation, "Wall unrolled, from the pit", 1040, 300),
      itemPart(),
      ...(DATA.since ? [el("div", { class: "since" }, ...Changes.parts(DATA.since, MOST))] : []),
      ...listPart().filter((part) => part !== null),
    );
    for (const twin of byId("print-only").querySelectorAll("#changes-title")) twin.removeAttribute("id");
  }

  function start() {
    addEventListener("beforeprint", fill);
    addEventListener("afterprint", () => byId("print-only").replaceChildren());
  }

  return { start };
})();
