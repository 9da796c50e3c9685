"""``site.toml`` to settings: values, defaults, and every problem with its line and key."""

from __future__ import annotations

import re

import pytest
from folder_maker import SITE

from asbuilt.errors import InputError
from asbuilt.settings import Draft, draft_settings, name_pattern, parse_settings


def with_line(old, new):
    assert SITE.count(old) == 1, old
    return SITE.replace(old, new)


def problems(text):
    with pytest.raises(InputError) as caught:
        parse_settings(text)
    return str(caught.value).split("\n")


def test_defaults():
    settings = parse_settings(SITE)
    assert settings.site.confidence == 0.95
    assert settings.site.time_zone == "UTC"
    assert settings.tolerance.verticality == {"primary": 5.0, "secondary": 5.0, "other": 5.0}
    assert settings.tolerance.encroach_mm is None
    assert settings.tolerance.toe_mm is None
    assert settings.uncertainty.pickup_mm == 5.0
    assert settings.uncertainty.axis == "straight"
    assert (settings.decide.plan, settings.decide.joint) == ("simple", "guarded")
    assert settings.stages == []
    assert settings.columns == {}


def test_verticality_by_kind_leaves_the_others_out():
    settings = parse_settings(with_line('"1:200"', '{ primary = "1:150", secondary = 4 }'))
    assert settings.tolerance.verticality == {"primary": pytest.approx(1000 / 150), "secondary": 4.0}


def test_levels_of_a_wall_come_before_the_sites():
    settings = parse_settings(with_line('pit_side = "left"', 'pit_side = "left"\nformation = -7.5'))
    assert settings.wall_level("A", "formation") == -7.5
    assert settings.wall_level("A", "interlock_to") == -9.5
    assert settings.wall_level("A", "cut_off") == 3.2


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            with_line("cut_off = 3.20", "cutoff = 3.20"),
            ["site.toml:6: levels.cutoff: unknown key, expected perhaps cut_off"],
        ),
        (with_line("commence = 4.00\n", ""), ["site.toml:4: levels.commence: missing, expected a value"]),
        (
            with_line("plan_mm = 25", 'plan_mm = "25"'),
            ["site.toml:15: tolerance.plan_mm: '25' cannot be used, expected a number, without quotes"],
        ),
        (
            with_line("plan_mm = 25", "plan_mm = nan"),
            ["site.toml:15: tolerance.plan_mm: nan cannot be used, expected a finite number"],
        ),
        (
            with_line('"1:200"', '"200"'),
            ['site.toml:16: tolerance.verticality: \'200\' cannot be used, expected "1:n", such as "1:200"'],
        ),
        (
            with_line('pit_side = "left"\n', ""),
            ['site.toml:10: walls.A.pit_side: missing, expected "left" or "right": an open wall has no inside'],
        ),
        (
            with_line("closed = false", "closed = true"),
            ["site.toml:12: walls.A.pit_side: given for a closed wall, expected nothing: the pit is its inside"],
        ),
        (
            with_line("formation = -8.00", "formation = 3.5"),
            ["site.toml:7: levels.formation: 3.5 is not below the cut-off 3.2, expected below 3.2"],
        ),
        (
            with_line('sense = "toe"', 'sense = "bottom"'),
            ["site.toml:20: readings.sense: 'bottom' is not known, expected 'toe' or 'top'"],
        ),
        (SITE + "[columns.pickup]\n", ["site.toml:21: columns.pickup: unknown table, expected perhaps pickups"]),
        (SITE + '[columns.pickups]\norder = ["point", "x"]\n', None),
        (
            SITE + '[columns.pickups]\npile_id_from = "P"\n',
            ["site.toml:22: columns.pickups.pile_id_from: 0 groups, expected one group"],
        ),
        (
            SITE + '[columns.pickups]\neasting = "X"\nnorthing = "X"\n',
            ["site.toml:21: columns.pickups: 'X' stands for 2 columns, expected each name for one column"],
        ),
        (
            SITE + '[columns.pickups.gps]\ndate_from_name = "%d"\n',
            [
                (
                    "site.toml:22: columns.pickups.gps.date_from_name: '%d' is no pattern of a date, "
                    "expected a pattern such as %Y%m%d, of %Y %y %m %d %j %H %M %S"
                )
            ],
        ),
        (
            SITE + '[columns.pickups]\nobject_from = { CSG = "pipe" }\n',
            [
                (
                    "site.toml:22: columns.pickups.object_from.CSG: unknown object 'pipe', "
                    "expected one of casing, head, trimmed, face, check"
                )
            ],
        ),
        (
            SITE + '[columns.pickups]\nshot_from = { RIM = "rim" }\n',
            [("site.toml:22: columns.pickups.shot_from.RIM: unknown shot 'rim', expected one of centre, edge")],
        ),
        (
            SITE + '[design.fields]\npile = "x"\n',
            ["site.toml:22: design.fields.pile: unknown column, expected perhaps pile_id"],
        ),
        (with_line('name = "Invented yard"', 'name = "x"\ntime_zone = "Mars"'), None),
    ],
)
def test_one_thing_wrong_is_one_line(text, expected):
    found = problems(text)
    if expected is None:
        assert len(found) == 1
        assert re.match(
            r"site\.toml:\d+: (columns\.pickups\.order: unknown column 'x'|site\.time_zone: 'Mars' is not)", found[0]
        )
    else:
        assert found == expected


@pytest.mark.parametrize("pattern", ["%%Y%m%d", "%Y%Y%m%d", "%Y%m", "%m%d", "%Y-%b-%d", "%", "date"])
def test_pattern_that_is_no_date(pattern):
    (line,) = problems(f'{SITE}[columns.tilts]\ndate_from_name = "{pattern}"\n')
    assert line.startswith(f"site.toml:22: columns.tilts.date_from_name: '{pattern}' is no pattern of a date")


@pytest.mark.parametrize(
    "addition",
    [
        "[columns]\npickups = 3\n",
        "[columns.pickups]\norder = 3\n",
        "[columns.pickups]\nobject_from = 3\n",
        "[columns.pickups]\nshot_from = 3\n",
        "[columns.pickups]\npile_id_from = 3\ndate_from_name = 4\n",
        "[columns.pickups]\npoint = 5\n",
        "[columns.pickups]\norder = [1, [2]]\n",
        "[design]\nfields = 3\n",
        "[sequence]\ncut_after_h = true\n",
        "[[stages]]\nname = 3\n",
    ],
)
def test_values_of_another_kind_are_problems(addition):
    assert all(line.startswith("site.toml:") for line in problems(SITE + addition))


QUOTED = "expected quotes around names with blanks or letters other than A to Z, as in"


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            "formation = -8.00",
            "formation = -8,00",
            "a number with a decimal comma, expected a decimal point, as in -8.00",
        ),
        (
            "formation = -8.00",
            "formation = 8,5 # m",
            "a number with a decimal comma, expected a decimal point, as in 8.5",
        ),
        ("[walls.A]", "[walls.Schächt]", f'the name walls.Schächt, {QUOTED} walls."Schächt"'),
        ("[walls.A]", "[walls.north side]", f'the name walls.north side, {QUOTED} walls."north side"'),
        ("overlap_mm = 50", "overläp = 50", f'the name overläp, {QUOTED} "overläp"'),
    ],
)
def test_usual_slips_in_toml_are_told_with_their_remedy(old, new, said):
    line = SITE[: SITE.index(old)].count("\n") + 1
    assert problems(with_line(old, new)) == [f"site.toml:{line}: not TOML: {said}"]


@pytest.mark.parametrize("new", ["overlap_mm = [5,0", '[a."b" c]', "overlap_mm 50", "a..b = 3"])
def test_other_slips_in_toml_are_told_as_they_are(new):
    (line,) = problems(with_line("overlap_mm = 50", new))
    assert line.endswith(", expected a TOML file")


def test_every_problem_at_once():
    text = with_line("plan_mm = 25", "plan_mm = -1").replace("overlap_mm = 50", "overlap = 50")
    assert problems(text) == [
        "site.toml:14: tolerance.overlap_mm: missing, expected a value",
        "site.toml:15: tolerance.plan_mm: -1 is too small, expected more than 0",
        "site.toml:17: tolerance.overlap: unknown key, expected perhaps overlap_mm",
    ]


def test_not_toml():
    assert problems("[site\n") == [
        "site.toml:1: not TOML: Expected ']' at the end of a table declaration, expected a TOML file"
    ]


# ------------------------------------------------------------------------------------------------- drafts


def test_draft_of_a_good_file_holds_the_settings():
    draft = draft_settings(SITE)
    assert isinstance(draft, Draft)
    assert draft.problems == ()
    assert draft.settings == parse_settings(SITE)
    assert draft.time_zone.key == "UTC"


def test_draft_of_a_wrong_file_holds_what_is_right():
    text = with_line("plan_mm = 25", "plan_mm = -1").replace(
        'name = "Invented yard"', 'name = "x"\ntime_zone = "Etc/GMT-3"'
    )
    text += '[design]\npiles = "design/b.gpkg"\n[columns.pickups]\npoint = "PtNo"\n'
    draft = draft_settings(text)
    assert draft.settings is None
    assert len(draft.problems) == 1
    assert draft.time_zone.key == "Etc/GMT-3"
    assert draft.design.piles == "design/b.gpkg"
    assert draft.columns["pickups"][""].names == {"point": "PtNo"}


def test_draft_says_what_it_cannot_know():
    draft = draft_settings(SITE + "[design]\nlayers = 3\n[columns.pickups]\npiont = 'x'\n")
    assert draft.design is None
    assert draft.columns is None
    assert draft_settings("[").columns is None


def test_place_of_a_setting():
    draft = draft_settings(SITE)
    assert (
        str(draft.problem(("walls", "A", "closed"), "odd", "even"))
        == "site.toml:11: walls.A.closed: odd, expected even"
    )
    assert draft.problem(("walls", "A", "extra_joints", 1), "odd", "even").column == "walls.A.extra_joints.2"


@pytest.mark.parametrize(
    ("pattern", "name", "found"),
    [
        ("%Y%m%d", "pickup_20260302.csv", "20260302"),
        ("%d.%m.%y", "02.03.26.csv", "02.03.26"),
        ("100%%_%Y-%j", "100%_2026-061", "100%_2026-061"),
        ("%d.%m.%y", "02x03x26.csv", None),
    ],
)
def test_pattern_of_a_date_in_a_name(pattern, name, found):
    match = re.search(name_pattern(pattern), name)
    assert (match.group(0) if match else None) == found
