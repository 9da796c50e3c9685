"use strict";
/**
 * Decisions that the reader drafts, and saves as a file for `asbuilt decide`. Nothing is decided or stored here.
 *
 * @typedef {object} Draft
 * @property {string} item
 * @property {string} effect  accept, hold, withdraw
 * @property {number | null} down_to
 * @property {string} until
 * @property {string} reference
 * @property {string} by
 * @property {string} reason
 * @property {string} evidence  first letters of the hash of the item's inputs, as they were seen
 * @property {string} drafted_at
 */
const Drafts = (() => {
  const { el, foreign } = Words;
  const EVERY = "every";
  const FILE = "decisions-draft.json";
  const dialog = /** @type {HTMLDialogElement} */ (document.getElementById("drafts"));
  /** @type {Draft[]} */
  let drafts = [];
  let saved = true;
  /** What was typed for an item and not added yet: it waits for its item. @type {Map<string, string[]>} */
  const begun = new Map();
  /** Item that the form was opened for. */
  let at = "";
  /** What the last draft did, beside the form. */
  const done = el("p", { class: "done", role: "status" });
  /** Whoever drafted last, so that the name is typed once. */
  let by = "";

  const form = el("form", { novalidate: true, class: "draft", on: { submit: onSubmit, input: onInput } });
  const evidence = el("div", { class: "evidence" });
  const listed = el("div", { class: "drafted" });

  /**
   * A field with its name before it and room for what is wrong with it after it.
   * @template {HTMLElement} T @param {string} name @param {string} label @param {T} control @returns {HTMLElement}
   */
  function field(name, label, control) {
    control.id = `draft-${name}`;
    control.setAttribute("aria-describedby", `wrong-${name}`);
    return el(
      "div",
      { class: "field", "data-field": name },
      el("label", { for: control.id, text: label }),
      control,
      el("span", { class: "wrong", id: `wrong-${name}` }),
    );
  }

  const item = el("input", { autocomplete: "off", spellcheck: "false", required: true });
  const effect = el(
    "select",
    null,
    ...[
      ["accept", "accept: lifts the hold"],
      ["hold", "hold, until something is met"],
      ["withdraw", "withdraw the last decision"],
    ].map(([value, text]) => el("option", { value, text })),
  );
  const downTo = el("select", null);
  const until = el("input", { autocomplete: "off" });
  const reference = el("input", { autocomplete: "off" });
  const name = el("input", { autocomplete: "off", required: true });
  const reason = el("textarea", { rows: 3, required: true });

  /** @type {Record<string, HTMLInputElement | HTMLSelectElement | HTMLTextAreaElement>} */
  const controls = { item, effect, down_to: downTo, until, reason, by: name, reference };
  /** What is typed about one item. */
  const own = [until, reason, reference];

  /** @param {string} text @returns {string} in one line, of signs that show: nothing else is taken in */
  const oneLine = (text) =>
    text
      .replace(/[\p{Cc}\p{Zl}\p{Zp}\p{Zs}]+/gu, " ")
      .replace(/[\p{Cf}\p{Cs}\p{Co}\p{Cn}]/gu, "")
      .trim();

  /** Keeps what is typed and not added for the item that it was typed for. */
  function putAside() {
    const id = Items.named(item.value.trim()) || at;
    begun.delete(at);
    if (!id) return;
    const typed = own.map((control) => control.value);
    if (typed.some((text) => text.trim())) begun.set(id, [effect.value, downTo.value, ...typed]);
    else begun.delete(id);
  }

  /** @param {string} id fills the form with what was begun for an item; else with nothing of another one */
  function takeUp(id) {
    at = id;
    const stage = DATA.stages.find((one) => one.name === Store.get().stage);
    const [what, down, ...rest] = begun.get(id) || ["accept", stage ? String(stage.level) : "", "", "", ""];
    effect.value = what;
    downTo.value = down;
    own.forEach((control, k) => {
      control.value = rest[k];
    });
  }

  /** @returns {boolean} whether the level down to which it is accepted must be said */
  const asksLevel = () => effect.value === "accept" && !Items.findings.has(Items.named(item.value.trim()));

  /** @returns {Record<string, string>} what is wrong, by field */
  function faults() {
    /** @type {Record<string, string>} */
    const wrong = {};
    const id = Items.named(item.value.trim());
    if (!id) wrong.item = item.value.trim() ? "no such pile, joint or finding" : "which one?";
    if (asksLevel() && !downTo.value) wrong.down_to = "down to which level?";
    if (effect.value === "withdraw" && !DATA.decisions.some((one) => one.item === id)) {
      wrong.effect = "there is no decision on it to withdraw";
    }
    if (!oneLine(name.value)) wrong.by = "who decides?";
    if (!oneLine(reason.value)) wrong.reason = "say why";
    return wrong;
  }

  /** @param {Record<string, string>} wrong shows what is wrong beside its field; the first one is gone to */
  function mark(wrong) {
    for (const [key, control] of Object.entries(controls)) {
      const beside = /** @type {HTMLElement} */ (form.querySelector(`#wrong-${key}`));
      beside.textContent = wrong[key] || "";
      if (wrong[key]) control.setAttribute("aria-invalid", "true");
      else control.removeAttribute("aria-invalid");
    }
    const first = Object.keys(controls).find((key) => wrong[key]);
    if (first) controls[first].focus();
  }

  /** @param {Event} event */
  function onSubmit(event) {
    event.preventDefault();
    const wrong = faults();
    mark(wrong);
    if (Object.keys(wrong).length) return;
    const id = Items.named(item.value.trim());
    by = oneLine(name.value);
    const level = asksLevel() && downTo.value !== EVERY ? Number(downTo.value) : null;
    const former = drafts.findIndex((one) => one.item === id);
    drafts.splice(former < 0 ? drafts.length : former, former < 0 ? 0 : 1, {
      item: id,
      effect: effect.value,
      down_to: level,
      until: effect.value === "hold" ? oneLine(until.value) : "",
      reference: oneLine(reference.value),
      by,
      reason: oneLine(reason.value),
      evidence: DATA.evidence[id] || "",
      drafted_at: new Date().toISOString(),
    });
    saved = false;
    done.textContent = former < 0 ? "" : `It replaces the earlier draft on ${Words.clean(id)}.`;
    begun.delete(at);
    begun.delete(id);
    takeUp(id);
    drawForm();
    drawList();
    focusSave();
  }

  /** @param {Event} event */
  function onInput(event) {
    done.textContent = "";
    if (event.target === item || event.target === effect || event.target === downTo) drawForm();
    const control = /** @type {HTMLElement} */ (event.target);
    if (control.getAttribute("aria-invalid")) {
      control.removeAttribute("aria-invalid");
      /** @type {HTMLElement} */ (form.querySelector(`#wrong-${control.id.slice("draft-".length)}`)).textContent = "";
    }
  }

  /** What the decision would stand on: the item's verdict and figures now, and whether they were measured at all. */
  function drawForm() {
    const id = Items.named(item.value.trim());
    const show = (/** @type {string} */ key, /** @type {boolean} */ shown) => {
      /** @type {HTMLElement} */ (form.querySelector(`[data-field=${key}]`)).hidden = !shown;
    };
    show("down_to", asksLevel());
    show("until", effect.value === "hold");
    evidence.replaceChildren();
    if (!id) return;
    evidence.append(
      el(
        "p",
        null,
        PLACES.has(id) && Words.verdictMark(Items.verdict(id)),
        " ",
        id !== item.value.trim() && el("b", null, foreign(id), ": "),
        foreign(Items.reasons(id) || Items.short(id) || "nothing found by these checks"),
      ),
      el(
        "p",
        { class: "soft" },
        DATA.evidence[id] ? `Evidence ${DATA.evidence[id]}, as of ${DATA.as_of_text}` : `As of ${DATA.as_of_text}`,
      ),
    );
    for (const text of warnings(id)) evidence.append(el("p", { class: "warn", text }));
  }

  /** @param {string} id @param {number | null} level down to which it is accepted; null for every stage */
  function blind(id, level) {
    const found = PLACES.get(id);
    if (DATA.letters[Items.verdict(id)] === "N") return true;
    const stage = DATA.stages.find((one) => one.level === level);
    return found?.kind === "joint" && Items.unknown(found.place, stage?.joints_to ?? undefined);
  }

  /** @param {string} id @returns {string[]} */
  function warnings(id) {
    const found = [];
    if (effect.value === "accept" && PLACES.has(id)) {
      if (blind(id, Number.parseFloat(downTo.value))) {
        const all = DATA.letters[Items.verdict(id)] === "N" ? "It is" : "Part of it is";
        found.push(`${all} not surveyed: this would be accepted without measurement.`);
      }
      if (DATA.letters[Items.verdict(id)] === "W") found.push("It is within: there is nothing to accept.");
    }
    if (drafts.some((one) => one.item === id)) found.push("It is drafted already: what is added replaces that draft.");
    return found;
  }

  /** @param {Draft} draft @param {number} place */
  function draftRow(draft, place) {
    const down = draft.down_to === null ? "" : ` down to ${Words.level(draft.down_to)}`;
    const bare = draft.effect === "accept" && blind(draft.item, draft.down_to);
    return el(
      "li",
      null,
      el(
        "span",
        null,
        el("b", null, foreign(draft.item)),
        ` ${draft.effect}${down} `,
        draft.until && el("span", null, "until ", foreign(draft.until)),
        " by ",
        foreign(draft.by),
        ": ",
        foreign(draft.reason),
        draft.reference && el("span", null, " (", foreign(draft.reference), ")"),
        bare && el("span", { class: "warn", text: "accepted without measurement" }),
      ),
      el("button", {
        type: "button",
        class: "link",
        "aria-label": `Remove the draft on ${draft.item}`,
        text: "remove",
        on: { click: () => remove(place) },
      }),
    );
  }

  /** @param {number} place */
  function remove(place) {
    drafts = drafts.filter((_, k) => k !== place);
    saved = drafts.length === 0;
    drawList();
    item.focus();
  }

  /** @returns {string} the file */
  function text() {
    return `${JSON.stringify(
      {
        format: DATA.draft_format,
        site: DATA.site,
        as_of: DATA.as_of,
        inputs_sha256: DATA.inputs_sha256,
        decisions: drafts,
      },
      null,
      1,
    )}\n`;
  }

  function save() {
    const url = URL.createObjectURL(new Blob([text()], { type: "application/json" }));
    const anchor = el("a", { href: url, download: FILE });
    anchor.click();
    // the browser takes the file in its own time
    setTimeout(() => URL.revokeObjectURL(url), 60000);
    saved = true;
    drawList();
    focusSave();
  }

  /** The list is drawn anew: the button that had the focus is gone. */
  const focusSave = () => /** @type {HTMLElement} */ (listed.querySelector("#save-drafts")).focus();

  /** What was begun, one to go back to each: nothing typed is lost in silence. */
  function begunLine() {
    const ids = [...begun.keys()].filter((id) => id !== at);
    const links = ids.flatMap((id, k) => [
      k ? ", " : "",
      el("button", { type: "button", class: "link", on: { click: () => open(id) } }, foreign(id)),
    ]);
    return ids.length ? el("p", { class: "warn" }, "Begun, not added: ", ...links) : null;
  }

  function drawCount() {
    const text = `${drafts.length}${begun.size ? `, begun: ${begun.size}` : ""}`;
    /** @type {HTMLElement} */ (document.getElementById("draft-count")).textContent = text;
    const button = /** @type {HTMLElement} */ (document.getElementById("open-drafts"));
    button.classList.toggle("unsaved", !saved || begun.size > 0);
  }

  function drawList() {
    const others = begunLine();
    drawCount();
    listed.replaceChildren(el("h3", { text: `Drafted: ${drafts.length}` }), done, ...(others ? [others] : []));
    if (!drafts.length) {
      listed.append(el("p", { class: "soft", text: "None yet." }));
      return;
    }
    const copy = el("textarea", {
      readonly: true,
      rows: 5,
      "aria-label": "The draft, for copying",
      class: "copy",
      on: { focus: () => copy.select() },
    });
    copy.value = text();
    listed.append(
      el("ol", { class: "plain" }, ...drafts.map(draftRow)),
      el(
        "p",
        { class: "actions" },
        el("button", { type: "button", id: "save-drafts", text: `Save ${FILE}`, on: { click: save } }),
        el("span", {
          role: "status",
          class: "soft",
          text: saved ? "given to your browser as a download" : "not saved yet",
        }),
      ),
      el("p", { class: "soft", text: "Where a download is not allowed, copy this into a file of that name:" }),
      copy,
    );
  }

  /** Levels that an accept can be for: every stage, or none deeper than one of them; none is chosen for the reader. */
  function stageOptions() {
    return [
      el("option", { value: "", text: "choose" }),
      el("option", { value: EVERY, text: "every stage" }),
      ...Dug.map((stage) =>
        el("option", { value: stage.level, text: `${Words.level(stage.level)}, ${Words.clean(stage.name)}` }),
      ),
    ];
  }

  function build() {
    downTo.append(...stageOptions());
    form.append(
      field("item", "Pile, joint or finding", item),
      evidence,
      field("effect", "Effect", effect),
      field("down_to", "Down to", downTo),
      field("until", "Until (not needed)", until),
      field("reason", "Reason", reason),
      field("by", "Decided by", name),
      field("reference", "Document behind it (not needed)", reference),
      el("button", { type: "submit", text: "Add to the draft" }),
    );
    dialog.append(
      Start.closer(dialog),
      el("h2", { id: "drafts-title", text: "Decisions drafted" }),
      el(
        "p",
        { class: "notice" },
        el("b", { text: "Nothing is decided yet. " }),
        "Save the draft and hand it in with: ",
        el("code", { text: `asbuilt decide DIR --from ${FILE}` }),
      ),
      el("div", { class: "halves" }, form, listed),
    );
  }

  /** @param {string} [id] item that the form starts with; default: the selected one */
  function open(id) {
    if (dialog.open) putAside();
    item.value = id ?? Store.get().item;
    takeUp(Items.named(item.value));
    name.value = name.value || by;
    mark({});
    done.textContent = "";
    drawForm();
    drawList();
    if (!dialog.open) dialog.showModal();
    (item.value ? effect : item).focus();
  }

  function start() {
    build();
    /** @type {HTMLElement} */ (document.getElementById("open-drafts")).addEventListener("click", () => open());
    addEventListener("beforeunload", (event) => {
      if (dialog.open) putAside();
      if (!saved || begun.size) event.preventDefault();
    });
    dialog.addEventListener("close", () => {
      putAside();
      drawCount();
      Store.set({ drafting: false });
    });
    // a reason is one line, however long: the key that ends it adds the draft, as in the other fields
    reason.addEventListener("keydown", (event) => {
      if (event.key !== "Enter" || event.isComposing) return;
      event.preventDefault();
      form.requestSubmit();
    });
    // the key for it is elsewhere: it only says so
    Store.on((state, before) => {
      if (state.drafting && !before.drafting) open();
    });
    drawList();
  }

  return { start, open };
})();
