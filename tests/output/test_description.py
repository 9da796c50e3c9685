"""What a survey is, as one record, and as XML for catalogues inside the GeoPackage."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from dataclasses import replace
from xml.etree import ElementTree as ET

import numpy as np
import pyogrio
import pytest
import small_folder
from synthetic_layers import synthetic_layers

from asbuilt.compute.grid import engineering_crs_wkt
from asbuilt.intake.survey import read_survey
from asbuilt.output._description import archive_name, describe, description_object, iso_xml, missing_in_name
from asbuilt.output.geopackage import write_geopackage
from asbuilt.reconcile import reconcile
from asbuilt.settings import draft_settings, parse_settings

GMD = "{http://www.isotc211.org/2005/gmd}"
CAUTIONS = ("First caution.", "Second & last.")
NAMED = small_folder.SITE + """
[sheets]
originator = "Invented Surveys"
drawing_number = "SW-1"
revision = "P2"

[archive]
name_pattern = "{originator}-{number}-{revision} {date} {name}"
contact = "records@survey.invalid"
"""


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    return reconcile(read_survey(small_folder.make(tmp_path_factory.mktemp("wall"), site_toml=NAMED)))


@pytest.fixture(scope="module")
def described(result):
    return describe(result, crs_wkt=engineering_crs_wkt("Small invented wall"), cautions=CAUTIONS)


def at(root: ET.Element, path: str) -> list[str | None]:
    """Return the texts at a path, gmd being understood, of the element or of the text in it."""
    parts = "/".join(part if part.startswith(("{", "*")) else GMD + part for part in path.split("/"))
    found = root.findall(parts)
    return [element.text if element.text and element.text.strip() else element[0].text for element in found]


def test_it_says_who_when_and_where(described):
    assert (described.title, described.organisation) == ("Small invented wall", "Invented Surveys")
    assert described.contact == "records@survey.invalid"
    assert described.identifier == "Invented Surveys-SW-1-P2 2025-03-05 Small invented wall"
    assert (described.as_of, described.first, described.last) == ("2025-03-05T12:40:00Z", "2025-03-03", "2025-03-05")
    # Eight piles of 880 mm at 750 mm from easting 100.75 on, northing 200; toe -12, cut-off 3.20.
    assert described.easting == (100.31, 106.44)
    assert described.northing == (199.56, 200.44)
    assert described.level == (-12.0, 3.2)
    assert (dict(described.piles), dict(described.closed), described.joints) == ({"A": 8}, {"A": False}, 7)
    assert described.degrees is None


def test_what_came_after_the_as_of_date_is_not_counted(result):
    earlier = reconcile(result.survey, as_of=np.datetime64("2025-03-03T23:59:59", "ms"))
    described = describe(earlier, crs_wkt=engineering_crs_wkt("x"), cautions=())
    assert (described.first, described.last) == ("2025-03-03", "2025-03-03")


def test_a_survey_with_nothing_dated_has_no_dates(result):
    none = reconcile(result.survey, as_of=np.datetime64("2020-01-01", "ms"))
    described = describe(none, crs_wkt=engineering_crs_wkt("x"), cautions=())
    assert (described.first, described.last) == (None, None)
    assert "TimePeriod" not in iso_xml(described)


def test_on_a_projected_grid_the_box_in_degrees_is_there(result):
    # UTM 31N, central meridian 3 degrees east at easting 500 km; the equator at northing 0 (EPSG:32631).
    design = result.survey.design
    columns = {**design.columns, "easting": np.full(8, 500_000.0), "northing": np.full(8, 0.0)}
    moved = replace(result, survey=replace(result.survey, design=replace(design, columns=columns)))
    from pyproj import CRS

    described = describe(moved, crs_wkt=CRS("EPSG:32631").to_wkt("WKT2_2019"), cautions=())
    assert described.degrees is not None
    west, south, east, north = described.degrees
    # 0.44 m of radius is 4e-6 degrees.
    assert np.allclose([west, south, east, north], [3.0, 0.0, 3.0, 0.0], atol=5e-6)
    assert west < east
    assert south < north
    box = at(ET.fromstring(iso_xml(described)), "identificationInfo/*/extent/*/geographicElement/*/*")  # noqa: S314
    assert [float(text or "nan") for text in box] == [west, east, south, north]


def test_the_object_is_plain_json(described):
    assert json.loads(json.dumps(description_object(described), allow_nan=False))["dates"] == {
        "as_of": "2025-03-05T12:40:00Z",
        "first": "2025-03-03",
        "last": "2025-03-05",
        "time_zone": "UTC",
    }


# ---- names


@pytest.mark.parametrize(
    ("pattern", "sheets", "name"),
    [
        ("{number}_{date}", 'drawing_number = "SW-1"', "SW-1_2025-05-16"),
        ("{{draft}} {name}", "", "{draft} Small invented wall"),
        ("plain", "", "plain"),
        ("{number}", "", None),
    ],
)
def test_the_pattern_makes_the_name(pattern, sheets, name):
    settings = parse_settings(f'{small_folder.SITE}\n[sheets]\n{sheets}\n[archive]\nname_pattern = "{pattern}"\n')
    assert archive_name(settings, np.datetime64("2025-05-16T10:00", "s")) == name
    assert missing_in_name(settings) == ([] if name else ["sheets.drawing_number"])


ONE_OF = "one of originator, number, revision, date, name"
ANY_OF = "a name with any of {originator} {number} {revision} {date} {name}"


@pytest.mark.parametrize(
    ("pattern", "what", "expected"),
    [
        ("{orignator}", "unknown field {orignator}", "perhaps originator"),
        ("{x}", "unknown field {x}", ONE_OF),
        ("{}", "unknown field {}", ONE_OF),
        ("{name.__class__}", "unknown field {name.__class__}", ONE_OF),
        ("{name!r}", "more than a name in {name\u2026}", "{name}"),
        ("{date:>9}", "more than a name in {date\u2026}", "{date}"),
        ("a/{name}", "'a/{name}' is no name of a file", ANY_OF),
        (" ", "' ' is no name of a file", ANY_OF),
        ("{name", "'{name' has a brace without its other", ANY_OF),
    ],
)
def test_a_pattern_that_cannot_be_used_is_refused_with_its_line(pattern, what, expected):
    draft = draft_settings(f'{small_folder.SITE}\n[archive]\nname_pattern = "{pattern}"\n')
    (problem,) = draft.problems
    assert (problem.text, problem.expected) == (what, expected)
    assert (problem.column, problem.line) == ("archive.name_pattern", len(small_folder.SITE.splitlines()) + 3)


# ---- ISO 19139


@pytest.fixture(scope="module")
def root(described):
    return ET.fromstring(iso_xml(described))  # noqa: S314 - written by the code under test


def test_what_the_standard_asks_for_is_there(root):
    # ISO 19115:2003, table 3: the core metadata that are mandatory for a dataset.
    assert root.tag == f"{GMD}MD_Metadata"
    assert at(root, "contact/CI_ResponsibleParty/organisationName") == ["Invented Surveys"]
    assert at(root, "dateStamp") == ["2025-03-05"]
    about = "identificationInfo/MD_DataIdentification"
    assert at(root, f"{about}/citation/CI_Citation/title") == ["Small invented wall"]
    assert at(root, f"{about}/citation/CI_Citation/date/CI_Date/date") == ["2025-03-05"]
    assert at(root, f"{about}/language") == ["eng"]
    assert at(root, f"{about}/topicCategory") == ["structure"]
    assert "8 design piles in wall A, 7 joints" in str(at(root, f"{about}/abstract"))


def test_elements_stand_in_the_order_of_the_schema(root):
    # ISO/TS 19139:2007, metadataEntity.xsd and identification.xsd: sequences.
    entity = ["fileIdentifier", "language", "characterSet", "hierarchyLevel", "contact", "dateStamp"]
    entity += ["metadataStandardName", "metadataStandardVersion", "referenceSystemInfo"]
    entity += ["identificationInfo", "dataQualityInfo"]
    assert [child.tag.removeprefix(GMD) for child in root] == entity
    data = root.find(f"{GMD}identificationInfo/{GMD}MD_DataIdentification")
    assert data is not None
    names = ["citation", "abstract", "purpose", "pointOfContact", "descriptiveKeywords", "resourceConstraints"]
    names += ["spatialRepresentationType", "language", "topicCategory", "extent", "supplementalInformation"]
    assert [child.tag.removeprefix(GMD) for child in data] == names


def test_dates_cautions_and_lineage_are_carried(root):
    data = "identificationInfo/MD_DataIdentification"
    assert at(root, f"{data}/resourceConstraints/MD_Constraints/useLimitation") == list(CAUTIONS)
    period = f"{data}/extent/EX_Extent/temporalElement/EX_TemporalExtent/extent"
    assert at(root, f"{period}/*/*") == ["2025-03-03", "2025-03-05"]
    (lineage,) = at(root, "dataQualityInfo/DQ_DataQuality/lineage/LI_Lineage/statement")
    assert lineage is not None
    assert "from 5 files: 1 of settings, 1 of design, 1 of pickups, 1 of tilts, 1 of records" in lineage


def test_what_xml_cannot_hold_is_left_out(described):
    strange = replace(described, title='bell \x07 <b> & "q"')
    title = at(
        ET.fromstring(iso_xml(strange)),  # noqa: S314
        "identificationInfo/MD_DataIdentification/citation/CI_Citation/title",
    )
    assert title == ['bell   <b> & "q"']


# ---- in the GeoPackage


@pytest.fixture(scope="module")
def package(described, tmp_path_factory):
    path = tmp_path_factory.mktemp("gpkg") / "asbuilt.gpkg"
    write_geopackage(
        path,
        synthetic_layers(3),
        crs_wkt=engineering_crs_wkt("Yard"),
        as_of=np.datetime64("2025-05-16T21:59:59", "s"),
        title="Yard",
        description="Invented.",
        metadata=iso_xml(described),
    )
    return path


def test_the_geopackage_holds_it_as_metadata_of_the_whole_file(package, described):
    # OGC 12-128r17, annex F.8: md_scope, the standard's URI, and a reference of scope geopackage.
    with closing(sqlite3.connect(package)) as database:
        rows = database.execute(
            "SELECT md_scope, md_standard_uri, mime_type, metadata, reference_scope, table_name, timestamp "
            "FROM gpkg_metadata JOIN gpkg_metadata_reference ON md_file_id = id WHERE md_standard_uri LIKE '%gmd'"
        ).fetchall()
        extensions = database.execute(
            "SELECT table_name, scope FROM gpkg_extensions WHERE extension_name = 'gpkg_metadata' ORDER BY 1"
        ).fetchall()
    moment = "2025-05-16T21:59:59.000Z"
    uri = "http://www.isotc211.org/2005/gmd"
    assert rows == [("dataset", uri, "text/xml", iso_xml(described), "geopackage", None, moment)]
    assert extensions == [("gpkg_metadata", "read-write"), ("gpkg_metadata_reference", "read-write")]


def test_reading_it_leaves_no_file_beside_it(package):
    pyogrio.read_info(package, layer="asbuilt_piles")
    pyogrio.read_dataframe(package, layer="joints")
    assert [path.name for path in package.parent.iterdir()] == [package.name]


def test_the_geopackage_is_valid_with_it(package):
    validator = pytest.importorskip("osgeo_utils.samples.validate_gpkg")
    assert validator.check(str(package), extra_checks=True) == []
