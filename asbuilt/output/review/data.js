"use strict";
/**
 * What the page is made from: one object, written by the run into the element "data".
 *
 * Lengths in metres unless a name ends in mm; plan coordinates are site grid less `origin`; levels are site levels.
 * `null` means not measured, never 0. Columns, not objects: place k of every array of `piles` speaks of pile k.
 * Ragged arrays: pile k owns `start[k]` to `start[k + 1]` of the flat arrays.
 *
 * @typedef {(number | null)[]} Numbers
 *
 * @typedef {object} Axes  piecewise linear axes, from the top down, under the lean model that governs:
 *   c(z) = (e, n) + (se, sn) * (z0 - z) in the segment whose `top` is the lowest at or above z
 * @property {number[]} start  n + 1; a pile without an axis owns nothing
 * @property {Numbers} top  upper end of the segment; null: no upper end
 * @property {number[]} z0
 * @property {number[]} e
 * @property {number[]} n
 * @property {number[]} se  metres per metre of depth
 * @property {number[]} sn
 *
 * @typedef {object} Piles
 * @property {string[]} id
 * @property {string[]} wall
 * @property {Numbers} position  place along the wall; null for an added pile
 * @property {string[]} kind  primary, secondary, other
 * @property {string[]} status  planned, omitted, added
 * @property {string[]} progress  to drill, drilled, concreted, surveyed, abandoned
 * @property {Numbers} e  design centre
 * @property {Numbers} n
 * @property {number[]} r  radius used for joints
 * @property {Numbers} pit_e  unit vector towards the pit
 * @property {Numbers} pit_n
 * @property {number[]} cut_off
 * @property {number[]} toe  as recorded, else as designed
 * @property {Numbers} predicted_below  level of the deepest reading
 * @property {Axes} axes
 * @property {number[]} verdict  place in `verdicts`; -1 for none (omitted)
 * @property {string[]} reasons  what is not within, in words
 * @property {string[]} file  file that the centre comes from, "" for none
 * @property {Numbers} line
 * @property {string[]} rig
 * @property {(string | null)[]} surveyed_at
 * @property {Record<string, Numbers>} figures  columns of the layer asbuilt_piles by name, as the layer has them
 * @property {Record<string, number[]>} checks  plan, vertical, encroach, toe: place in `verdicts`, -1: check not made
 * @property {string[]} one_in  inclination as 1 in n, in words
 * @property {PileProfiles} profile
 * @property {Sources} sources
 *
 * @typedef {object} PileProfiles  deviation from the design centre along the depth: towards the pit, along the wall
 * @property {string[]} first  name of the first direction ("towards the pit" or "east"), by pile
 * @property {string[]} second
 * @property {number[]} start
 * @property {number[]} level
 * @property {Numbers} a_mm
 * @property {Numbers} b_mm
 * @property {Numbers} ua_mm  one standard uncertainty
 * @property {Numbers} ub_mm
 * @property {number[]} reading_start
 * @property {number[]} reading_level
 * @property {number[]} reading_a_mm_per_m  lean in the same two directions, to the toe
 * @property {number[]} reading_b_mm_per_m
 * @property {number[]} reading_count
 *
 * @typedef {object} Sources  rows that serve a pile: file and line
 * @property {number[]} start
 * @property {string[]} table  pickups, tilts, profiles, records
 * @property {number[]} file  place in `files`
 * @property {number[]} line
 *
 * @typedef {object} Joints
 * @property {string[]} id  pile_a~pile_b
 * @property {number[]} a  place of pile_a
 * @property {number[]} b
 * @property {string[]} wall
 * @property {number[]} required_mm  overlap asked for
 * @property {Numbers} top  range in which the joint must interlock
 * @property {Numbers} bottom
 * @property {number[]} verdict
 * @property {string[]} reasons
 * @property {Record<string, Numbers>} figures  columns of the layer joints by name
 * @property {boolean[]} levels_known  whether a null lost_level, open_level or sure_level means none in the range
 * @property {Numbers} chainage  of its middle along the wall, from the wall's first pile
 * @property {{start: number[], top: number[], bottom: number[], state: number[]}} bands  place in `joint_states`
 * @property {JointProfiles} profile
 *
 * @typedef {object} JointProfiles  overlap along the range, from the top down; lines between are true to 0.1 mm
 * @property {number[]} start
 * @property {number[]} level
 * @property {Numbers} overlap_mm
 * @property {Numbers} low_mm  overlap that is reached with the confidence asked for
 * @property {Numbers} other_mm  under the other lean model
 * @property {Numbers} p  chance that it is at least that asked for
 *
 * @typedef {object} Hold
 * @property {string} item
 * @property {string} check  joint, toe, encroach, plan, vertical, decision
 * @property {number} verdict
 * @property {number | null} level
 * @property {string} text
 * @property {boolean} unmeasured  not measured, or not over its whole range
 * @property {number | null} decision  place in `decisions`
 *
 * @typedef {object} Stage
 * @property {string} name
 * @property {number} level
 * @property {number | null} joints_to
 * @property {string} state  held, no holds
 * @property {Hold[]} held_by
 * @property {Hold[]} below
 * @property {Hold[]} accepted
 *
 * @typedef {object} Decision
 * @property {string} at
 * @property {string} by
 * @property {string} item
 * @property {string} effect  accept, hold, withdraw
 * @property {number | null} down_to
 * @property {string} until
 * @property {string} reason
 * @property {string} reference
 * @property {string} state
 * @property {boolean} standing
 * @property {string} changed
 *
 * @typedef {object} Finding
 * @property {string} id
 * @property {string} severity
 * @property {string} kind
 * @property {string} item
 * @property {string} text
 * @property {string} file
 * @property {number} line
 * @property {string} column
 *
 * @typedef {object} Change  one difference from an earlier state
 * @property {string} item
 * @property {number} was  verdict then, -1 where it was not there
 * @property {number} now
 * @property {string} text  figures, old and new
 * @property {boolean | null} [worse]  for the worse, for the better; null or absent where that cannot be told
 *
 * @typedef {object} Since
 * @property {string} as_of  the earlier moment, in words
 * @property {Change[]} items  new items, changed verdicts and changed figures, the gravest first
 * @property {string[]} lapsed  items whose decision lapsed since
 * @property {{stage: string, was: string, now: string, added: string[], gone: string[]}[]} stages
 *
 * @typedef {object} Data
 * @property {string} format
 * @property {string} tool_version
 * @property {string} site
 * @property {string} as_of  ISO 8601, UTC
 * @property {string} as_of_text
 * @property {string} inputs_sha256
 * @property {string | null} ledger_head
 * @property {string[]} changed  files that are not as they were taken in
 * @property {number} confidence
 * @property {[number, number]} origin  easting, northing
 * @property {string[]} verdicts
 * @property {string[]} letters
 * @property {string[]} colours
 * @property {string[]} joint_states  open, lost, not sure, sure, not surveyed
 * @property {string[]} files
 * @property {{top: number, bottom: number, formation: number, interlock_to: number, cut_off: number}} levels
 * @property {number} no_axis_reach  how far from its surveyed level a pile without a lean reading is drawn
 * @property {{id: string, first: number, closed: boolean, start: number, end: number}[]} walls  chainages of the
 *   elevation: each wall from `start` to `end`
 * @property {number[][]} clear_outline  ring, empty for none
 * @property {Piles} piles
 * @property {Joints} joints
 * @property {string[]} worst  items not within, the gravest first, as the summary ranks them
 * @property {Stage[]} stages
 * @property {Finding[]} findings
 * @property {Decision[]} decisions
 * @property {Record<string, string>} evidence  item to the first letters of the hash of its inputs
 * @property {Record<string, number>} page_of  item or stage to its page in sheets.pdf
 * @property {string[]} not_made  checks that are not made, in words
 * @property {string[]} cautions
 * @property {string} draft_format
 * @property {Since | null} since
 */

/** @type {Data} */
const DATA = JSON.parse(/** @type {HTMLElement} */ (document.getElementById("data")).textContent || "");

/** Item to its place: piles and joints by id. @type {Map<string, {kind: "pile" | "joint", place: number}>} */
const PLACES = new Map();
DATA.piles.id.forEach((id, place) => PLACES.set(id, { kind: "pile", place }));
DATA.joints.id.forEach((id, place) => PLACES.set(id, { kind: "joint", place }));

/** Stages from the top down: the order in which they are dug. */
const Dug = [...DATA.stages].sort((one, other) => other.level - one.level);

/** What to look at first: the gravest of what holds the next stage, else the gravest of all. */
const First = Dug.find((stage) => stage.held_by.length)?.held_by[0].item || DATA.worst[0] || "";
