"use strict";
/**
 * Piles, joints and findings by id, in short words.
 */
const Items = (() => {
  /** How the clause of a pile's reasons begins that speaks of a check. @type {Record<string, RegExp>} */
  const CLAUSES = {
    plan: /^plan position/,
    vertical: /^inclination/,
    encroach: /^(towards the pit|face)/,
    toe: /^(toe|no toe)/,
  };
  /** Clauses that say the same in fewer words: the list is narrow. @type {[RegExp, string][]} */
  const SHORTER = [
    [/^plan position (\S+) mm, (\S+ mm) allowed.*/, "plan $1 of $2"],
    [/^inclination (\S+) mm\/m, (\S+ mm\/m) allowed.*/, "lean $1 of $2"],
    [/^towards the pit (\S+) mm at ([^,\s]+), (\S+ mm) allowed.*/, "to pit $1 of $3, $2"],
    [/^(\S+) mm of (\S+ mm) towards the pit at ([^;,\s]+).*/, "to pit $1 of $2, $3"],
    [/^toe at (\S+): above design (\S+) mm, (\S+ mm) allowed.*/, "toe $2 of $3 high, $1"],
  ];
  /** @type {Map<string, Finding>} */
  const findings = new Map();
  for (const finding of DATA.findings) if (!findings.has(finding.id)) findings.set(finding.id, finding);
  /** The last decision on an item that still says something. @type {Map<string, Decision>} */
  const decided = new Map();
  for (const decision of DATA.decisions) {
    if (decision.state === "superseded") continue;
    if (decision.state === "withdraws") decided.delete(decision.item);
    else decided.set(decision.item, decision);
  }

  /** @param {string} text with true minus signs, as everywhere on the page */
  const signed = (text) => text.replace(/(^|[\s(])-(?=\d)/g, "$1\u2212");

  /** @param {string} id @returns {number} place in the verdicts; -1 for none */
  function verdict(id) {
    const found = PLACES.get(id);
    if (!found) return -1;
    return (found.kind === "pile" ? DATA.piles : DATA.joints).verdict[found.place];
  }

  /** @param {string} id @returns {string} all that is not within, "" for nothing */
  function reasons(id) {
    const found = PLACES.get(id);
    if (!found) return findings.get(id)?.text || "";
    const texts = (found.kind === "pile" ? DATA.piles : DATA.joints).reasons;
    return [...new Set(signed(texts[found.place]).split("; "))].join("; ");
  }

  /** @param {string} clause of the reasons @returns {string} */
  function shorten(clause) {
    const shorter = SHORTER.find(([pattern]) => pattern.test(clause));
    return shorter ? clause.replace(...shorter) : clause.split(", ").slice(0, 2).join(", ");
  }

  /** @param {number} k */
  function pileWords(k) {
    const piles = DATA.piles;
    if (piles.status[k] === "omitted") return "omitted: never to be built";
    const clauses = signed(piles.reasons[k]).split("; ");
    const check = Object.keys(CLAUSES).find((name) => piles.checks[name][k] === piles.verdict[k]);
    const clause = (check && clauses.find((text) => CLAUSES[check].test(text))) || clauses[0];
    if (clause) return shorten(clause);
    const offset = piles.figures.offset_mm[k];
    return offset === null ? "" : `plan ${Words.mm(offset)} mm, ${piles.one_in[k]}`;
  }

  /** @param {number} j @param {number} [to] level @returns {boolean} whether some of it down to there is not known */
  function unknown(j, to = -Infinity) {
    const { start, top, state } = DATA.joints.bands;
    for (let i = start[j]; i < start[j + 1]; i++) {
      if (DATA.joint_states[state[i]] === "not surveyed" && top[i] > to + 0.001) return true;
    }
    return false;
  }

  /** @param {number} j */
  function jointWords(j) {
    const { verdict: verdicts } = DATA.joints;
    const known = Words.known(DATA.joints.figures.overlap_cut_off_mm[j]) && DATA.letters[verdicts[j]] !== "N";
    return measuredWords(j) + (known && unknown(j) ? "; rest not surveyed" : "");
  }

  /** @param {number} j */
  function measuredWords(j) {
    const { figures, verdict: verdicts, reasons: texts, required_mm } = DATA.joints;
    const least = figures.least_overlap_mm[j];
    const top = figures.overlap_cut_off_mm[j];
    // without an axis only the gap at the top of the range is known
    const gap = figures.worst_opening_mm[j] || (top !== null && top < 0 ? -top : 0);
    const from = Words.level;
    if (figures.open_level[j] !== null) {
      return `open from ${from(figures.open_level[j])}; ${gap ? `gap ${Words.mm(gap)} mm` : "toe as built"}`;
    }
    if (DATA.letters[verdicts[j]] === "N" || least === null) return signed(texts[j]).split(", ")[0];
    const overlap = `least ${Words.against(least, required_mm[j])} mm`;
    if (figures.lost_level[j] !== null) return `lost from ${from(figures.lost_level[j])}; ${overlap}`;
    if (figures.sure_level[j] !== null) return `not sure from ${from(figures.sure_level[j])}; ${overlap}`;
    return `${overlap} at ${from(figures.least_level[j])}`;
  }

  /** @param {Hold} hold @returns {string} from where on it holds a stage, and what is wrong there */
  function holdWords({ item, check, level, text }) {
    const found = PLACES.get(item);
    const clause = shorten(signed(text).split("; ")[0]);
    if (level === null || !found) return clause;
    if (check === "encroach") return `from ${Words.level(level)}: ${clause.replace(/, [^,]*$/, "")}`;
    if (check !== "joint" || found.kind !== "joint") return clause;
    const { open_level: open, lost_level: lost, sure_level: unsure } = DATA.joints.figures;
    const states = /** @type {[string, number | null][]} */ ([
      ["open", open[found.place]],
      ["lost", lost[found.place]],
      ["not sure", unsure[found.place]],
    ]);
    const here = states.findIndex(([, from]) => from !== null && Math.abs(from - level) < 0.001);
    const worse = states.slice(0, Math.max(here, 0)).find(([, from]) => from !== null);
    if (!worse) return jointWords(found.place);
    return `${states[here][0]} from ${Words.level(level)}, ${worse[0]} ${Words.level(worse[1])}`;
  }

  /** @param {string} id @returns {string} the gravest about it, one short sentence */
  function short(id) {
    const found = PLACES.get(id);
    if (!found) return findings.get(id)?.text || "";
    return found.kind === "pile" ? pileWords(found.place) : jointWords(found.place);
  }

  /** @param {string} id @returns {string} accepted, held, lapsed, or "" */
  function decision(id) {
    const last = decided.get(id);
    if (!last) return "";
    if (last.standing) return last.effect === "hold" ? "held" : "accepted";
    return lapsed(last) ? "lapsed" : "not bound";
  }

  /** @param {Decision} one @returns {boolean} whether what it was decided on is no longer so */
  const lapsed = (one) => one.effect === "accept" && /^(changed|file was edited)/.test(one.state);

  /** @param {string} id @returns {HTMLElement | null} the same as a mark; an accept that ends at a level says so */
  function tag(id) {
    const last = decided.get(id);
    const word = decision(id);
    if (!last || !word) return null;
    const to = word === "accepted" && last.down_to !== null ? Words.level(last.down_to) : "";
    const title = to ? `accepted down to ${to}, no deeper` : null;
    return Words.el("span", { class: `tag ${word}`, title, text: to ? `to ${to}` : word });
  }

  /** What people write for an id, in small letters, to the id; a joint may be named from either side. */
  const written = (() => {
    /** @type {Map<string, string>} */
    const found = new Map();
    const turned = DATA.joints.id.map((id) => [id.split("~").reverse().join("~"), id]);
    for (const [name, id] of [...turned, ...[...PLACES.keys(), ...findings.keys()].map((id) => [id, id])]) {
      found.set(name.toLowerCase(), id);
    }
    return found;
  })();

  /** @param {string} text @returns {string} the item that is meant, "" for none */
  const named = (text) => (PLACES.has(text) || findings.has(text) ? text : written.get(text.toLowerCase()) || "");

  /** @param {string} id @returns {number[]} the piles it is made of */
  function pilesOf(id) {
    const found = PLACES.get(id);
    if (!found) return [];
    return found.kind === "pile" ? [found.place] : [DATA.joints.a[found.place], DATA.joints.b[found.place]];
  }

  /** @param {string} id @param {string} [said] @returns {HTMLButtonElement} a link that selects the item */
  function link(id, said) {
    const props = { type: "button", class: "link", on: { click: () => Store.set({ item: id }) } };
    return Words.el("button", props, said || Words.foreign(id));
  }

  /** @param {Hold[]} holds @returns {Hold[]} each item once, with its gravest hold: they come the gravest first */
  function eachOnce(holds) {
    const seen = new Set();
    return holds.filter(({ item }) => !seen.has(item) && seen.add(item));
  }

  const worth = { error: ["!", "outside"], query: ["?", "unresolved"], note: ["i", "none"] };
  /** @param {Finding} finding @returns {HTMLElement} */
  function findingMark(finding) {
    const [sign, look] = worth[/** @type {"error" | "query" | "note"} */ (finding.severity)] || worth.note;
    const props = { class: `mark ${look}`, role: "img", "aria-label": finding.severity, title: finding.severity };
    return Words.el("span", props, Words.el("b", { text: sign }));
  }

  return {
    findings, verdict, reasons, short, holdWords, unknown, decision, lapsed, tag, named, pilesOf, link, findingMark,
    signed, eachOnce,
  };
})();
