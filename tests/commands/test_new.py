"""``asbuilt new``: a folder that parses as it is, explains every key, and overwrites nothing."""

from __future__ import annotations

import json
import re
import types
from typing import Any, Union, get_args, get_origin

import pytest
from pydantic import BaseModel

from asbuilt.__main__ import main
from asbuilt.columns import TABLES
from asbuilt.commands._site_template import SITE_TEMPLATE
from asbuilt.commands.new import make_folder
from asbuilt.errors import TargetError, UsageError
from asbuilt.settings import ColumnMapping, Settings, Stage, Wall, parse_settings

TEMPLATE = SITE_TEMPLATE.format(name='"A job"')
#: A line that shows a key or a section, taken out of its comment.
UNCOMMENTED = re.sub(r"(?m)^# (\[|[a-z_]+ = )", r"\1", TEMPLATE)


def test_the_folder_holds_settings_tables_with_headers_and_explanations(tmp_path):
    files = make_folder(tmp_path / "wall")
    assert files == [
        "site.toml",
        "design/piles.csv",
        "control/points.csv",
        "set_out/approved.csv",
        "pickups/README.md",
        "tilts/README.md",
        "profiles/README.md",
        "records/README.md",
    ]
    there = sorted(path.relative_to(tmp_path / "wall").as_posix() for path in (tmp_path / "wall").rglob("*.*"))
    assert there == sorted(files)


@pytest.mark.parametrize("table", ["design", "control", "set_out"])
def test_an_empty_table_is_its_header(tmp_path, table):
    make_folder(tmp_path / "wall")
    text = (tmp_path / "wall" / TABLES[table].where).read_text(encoding="utf-8")
    assert text == ",".join(column.name for column in TABLES[table].columns) + "\n"


@pytest.mark.parametrize("table", ["pickups", "tilts", "profiles", "records"])
def test_a_folder_for_loads_explains_every_column(tmp_path, table):
    make_folder(tmp_path / "wall")
    text = (tmp_path / "wall" / table / "README.md").read_text(encoding="utf-8")
    assert [column.name for column in TABLES[table].columns if f"  {column.name}" not in text] == []
    assert max(map(len, text.splitlines())) <= 130


def test_the_site_file_parses_and_takes_the_folders_name(tmp_path):
    make_folder(tmp_path / "basement_wall")
    settings = parse_settings((tmp_path / "basement_wall" / "site.toml").read_text(encoding="utf-8"))
    assert settings.site.name == "basement wall"


def test_a_folder_name_with_signs_of_its_own_still_parses(tmp_path):
    name = 'Öst "3" {x}'
    make_folder(tmp_path / name)
    assert parse_settings((tmp_path / name / "site.toml").read_text(encoding="utf-8")).site.name == name


def _keys(section: type[BaseModel]) -> set[str]:
    return set(section.model_fields)


def _section_class(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    if get_origin(annotation) in (Union, types.UnionType, list, dict):
        return next((found for inner in get_args(annotation) if (found := _section_class(inner))), None)
    return None


def test_every_section_and_key_is_shown():
    shown = {line.split(" = ")[0] for line in UNCOMMENTED.splitlines() if re.match(r"[a-z_]+ = ", line)}
    wanted: set[str] = set()
    many = {"stages": Stage, "walls": Wall, "columns": ColumnMapping}
    for name, field in Settings.model_fields.items():
        section = many.get(name) or _section_class(field.annotation)
        assert section is not None, name
        wanted |= _keys(section)
    rare = {"names", "fields", "clear_outline_layer"}
    assert wanted - shown - rare == set()


def test_every_key_that_is_shown_is_known():
    open_wall = UNCOMMENTED.replace("closed = true", "closed = false")
    settings = parse_settings(open_wall)
    assert settings.walls["A"].pit_side == "left"
    assert settings.grid.map_crs == "EPSG:32631"


def test_a_default_that_is_shown_is_the_default():
    defaults = re.sub(r"(?m)^# (?!.*\(no default\))(\[(?!columns)|[a-z_]+ = )", r"\1", TEMPLATE)
    assert defaults.count("\n# ") < TEMPLATE.count("\n# ") - 30
    assert parse_settings(defaults) == parse_settings(TEMPLATE)


def test_a_folder_that_holds_something_is_refused_and_left_alone(tmp_path):
    (tmp_path / "site.toml").write_text("mine", encoding="utf-8")
    with pytest.raises(UsageError, match="is not empty"):
        make_folder(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["site.toml"]


def test_a_file_in_the_way_is_refused(tmp_path):
    (tmp_path / "wall").write_text("mine", encoding="utf-8")
    with pytest.raises(UsageError, match="is a file"):
        make_folder(tmp_path / "wall")


def test_an_empty_folder_is_taken(tmp_path):
    assert "site.toml" in make_folder(tmp_path)


def test_a_place_that_cannot_be_written_is_told(tmp_path):
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(TargetError, match=r"file.* cannot be written"):
        make_folder(tmp_path / "file" / "wall")


def test_json_names_the_files(tmp_path, capsys):
    assert main(["new", str(tmp_path / "wall"), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["format"] == 1
    assert answer["files"][:2] == ["site.toml", "design/piles.csv"]


def test_the_answer_says_that_the_tolerances_are_placeholders(tmp_path, capsys):
    assert main(["new", str(tmp_path / "wall")]) == 0
    assert "the tolerances are placeholders" in capsys.readouterr().out


def test_refusal_is_exit_code_2(tmp_path, capsys):
    (tmp_path / "a").write_text("", encoding="utf-8")
    assert main(["new", str(tmp_path)]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.startswith("asbuilt: ")
