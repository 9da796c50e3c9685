"use strict";
/**
 * What is different from an earlier moment: items, decisions that lapsed, stages.
 */
const Changes = (() => {
  const { el, foreign } = Words;
  /** Items named for a stage. */
  const MOST = 8;
  const dialog = /** @type {HTMLDialogElement} */ (document.getElementById("changes"));

  /** @param {string} id a link that also closes the dialog */
  function link(id) {
    const found = Items.link(id);
    found.addEventListener("click", () => dialog.close());
    return found;
  }

  /** @param {string[]} ids @returns {(Node | string)[]} the first few, and how many more; the table has all */
  function links(ids) {
    const some = ids.slice(0, MOST).flatMap((id, k) => (k ? [", ", link(id)] : [link(id)]));
    return ids.length > MOST ? [...some, ` and ${ids.length - MOST} more`] : some;
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

  /** @param {Since} since @returns {Node[]} */
  function parts(since) {
    /** @type {HTMLElement[]} */
    const all = [el("h2", { id: "changes-title" }, "Changed since ", foreign(since.as_of))];
    const say = (/** @type {string} */ heading, /** @type {HTMLElement} */ part) =>
      all.push(el("h3", { text: heading }), part);
    if (since.stages.length) say("Stages", el("ul", { class: "plain" }, ...since.stages.map(stageRow)));
    if (since.lapsed.length) say("Decisions that lapsed", el("p", null, ...links(since.lapsed)));
    if (since.items.length) {
      say(
        `New, or with another verdict: ${since.items.length}`,
        el(
          "table",
          { class: "changes" },
          el(
            "thead",
            null,
            el("tr", null, ...["item", "was \u2192 now", "figures"].map((text) => el("th", { scope: "col", text }))),
          ),
          el("tbody", null, ...since.items.map(row)),
        ),
      );
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

  return { start };
})();
