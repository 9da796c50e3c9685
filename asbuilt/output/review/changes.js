"use strict";
/**
 * What is different from an earlier moment: items, decisions that lapsed, stages.
 */
const Changes = (() => {
  const { el, foreign } = Words;
  /** Items named for a stage. */
  const MOST = 8;
  const HEADS = ["item", "was \u2192 now", "way", "figures"];
  const dialog = /** @type {HTMLDialogElement} */ (document.getElementById("changes"));

  /** @param {string} id a link that also closes the dialog */
  function link(id) {
    const found = Items.link(id);
    found.addEventListener("click", () => dialog.close());
    return found;
  }

  /**
   * @param {string[]} ids @param {number} [most]
   * @returns {(Node | string)[]} the first few, and how many more; the table has all
   */
  function links(ids, most = MOST) {
    const some = ids.slice(0, most).flatMap((id, k) => (k ? [", ", link(id)] : [link(id)]));
    return ids.length > most ? [...some, ` and ${ids.length - most} more`] : some;
  }

  /** @param {Change} change @returns {Node} what changed for the worse or the better within a verdict */
  function way({ was, now, worse }) {
    const text = worse === true ? "worse" : worse === false ? "better" : was === now ? "changed" : "";
    return el("td", { class: worse === true ? "outside" : "soft", text });
  }

  /** @param {Change} change */
  function row(change) {
    const was = change.was < 0 ? el("span", { class: "soft", text: "not there" }) : Words.verdictMark(change.was);
    const now = change.now < 0 ? el("span", { class: "soft", text: "gone" }) : Words.verdictMark(change.now);
    return el(
      "tr",
      null,
      el("th", { scope: "row" }, link(change.item)),
      el("td", null, was, " \u2192 ", now),
      way(change),
      el("td", null, foreign(Items.signed(change.text.replace(/^verdict [^,]*, /, "").replace(/->/g, "\u2192")))),
    );
  }

  /** @param {Since["stages"][number]} one */
  function stageRow(one) {
    return el(
      "li",
      null,
      el(
        "span",
        null,
        el("b", null, foreign(one.stage)),
        one.was === one.now ? `: ${one.now}, as before` : `: ${one.was} \u2192 ${one.now}`,
        one.added.length > 0 && el("span", null, "; now also held by ", ...links(one.added)),
        one.gone.length > 0 && el("span", null, "; no longer by ", ...links(one.gone)),
      ),
    );
  }

  /** @param {Since} since @param {number} [most] on paper: of what got no better @returns {HTMLElement[]} */
  function parts(since, most = Infinity) {
    /** @type {HTMLElement[]} */
    const all = [el("h2", { id: "changes-title" }, "Changed since ", foreign(since.as_of))];
    const shown = since.items.filter(({ worse }) => most === Infinity || worse !== false).slice(0, most);
    const say = (/** @type {string} */ heading, /** @type {HTMLElement} */ part) =>
      all.push(el("h3", { text: heading }), part);
    if (since.stages.length) say("Stages", el("ul", { class: "plain" }, ...since.stages.map(stageRow)));
    const over = [...new Set(since.lapsed)];
    if (over.length) say(`Decisions that lapsed: ${over.length}`, el("p", null, ...links(over, Infinity)));
    if (since.items.length) {
      say(
        `New, or with another verdict or figures: ${since.items.length}`,
        el(
          "table",
          { class: "changes" },
          el(
            "thead",
            null,
            el("tr", null, ...HEADS.map((text) => el("th", { scope: "col", text }))),
          ),
          el("tbody", null, ...shown.map(row)),
        ),
      );
    }
    if (since.items.length > shown.length) {
      all.push(el("p", { text: `${since.items.length - shown.length} not printed: better, or less grave.` }));
    }
    if (all.length === 1) all.push(el("p", { text: "No item, decision or stage is different." }));
    return all;
  }

  function start() {
    const open = /** @type {HTMLElement} */ (document.getElementById("open-changes"));
    const since = DATA.since;
    if (!since) return;
    open.hidden = false;
    open.addEventListener("click", () => {
      dialog.replaceChildren(Start.closer(dialog), ...parts(since));
      dialog.showModal();
    });
  }

  return { start, parts };
})();
