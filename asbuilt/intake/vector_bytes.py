"""Bytes of vector files, looked at before a reader of geometry sees them: sound, and in metres."""

from __future__ import annotations

import json
import re
import sqlite3
from typing import TYPE_CHECKING, Any

from asbuilt.errors import Problem

if TYPE_CHECKING:
    from asbuilt.intake.sources import Source

__all__ = ["Refused", "json_of_texts", "sound_geopackage"]

JOURNAL_MODE = slice(18, 20)
"""Where SQLite's header says how it journals: 1 a rollback journal, 2 a write-ahead log."""
DESCRIPTIONS = ("sqlite_master", "gpkg_contents", "gpkg_geometry_columns", "gpkg_spatial_ref_sys")


class Refused(Exception):  # noqa: N818  # never leaves the reading of vector files
    """The file as a whole cannot be read."""

    def __init__(self, text: str, expected: str) -> None:
        super().__init__(text)
        self.text, self.expected = text, expected

    def problem(self, source: Source) -> Problem:
        """Return what to say of the file."""
        return Problem(file=source.path, text=self.text, expected=self.expected)


def sound_geopackage(data: bytes, expected: str) -> tuple[bytes, list[str]]:
    """Return a GeoPackage's bytes as they can be opened in memory, and the names of its layers of features.

    The database must be whole and all its text UTF-8: Fiona brings the process down when GDAL speaks to it of a
    damaged name.

    Raises
    ------
    Refused
        When it is damaged or no GeoPackage.
    """
    if len(data) < JOURNAL_MODE.stop:
        raise Refused("cannot be read", expected)
    # In memory there is no log beside the file; that a log held more was asked before.
    plain = data[: JOURNAL_MODE.start] + b"\x01\x01" + data[JOURNAL_MODE.stop :]
    database = sqlite3.connect(":memory:")
    try:
        database.deserialize(plain)
        database.execute("PRAGMA trusted_schema = OFF")
        if database.execute("PRAGMA integrity_check(1)").fetchone() != ("ok",):
            raise Refused("damaged", expected)
        for table in DESCRIPTIONS:
            database.execute(f"SELECT * FROM {table}").fetchall()  # noqa: S608  # names from above
        found = database.execute("SELECT table_name FROM gpkg_contents WHERE data_type = 'features' ORDER BY rowid")
        layers = [str(name) for (name,) in found]
        for layer in layers:
            quoted = layer.replace('"', '""')
            for _ in database.execute(f'SELECT * FROM "{quoted}"'):  # noqa: S608  # quoted
                pass
    except (sqlite3.Error, ValueError, OverflowError, MemoryError) as error:
        raise Refused("cannot be read", expected) from error
    finally:
        database.close()
    return plain, layers


def json_of_texts(data: bytes, expected: str) -> bytes:
    """Return GeoJSON in which every property is a text.

    Else one type would be settled for a field over all features, and the one feature that does not keep to it
    could not be named. Coordinates said to be degrees are refused.
    """
    try:
        content = json.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise Refused("not UTF-8 text", expected) from error
    except json.JSONDecodeError as error:
        raise Refused(f"not JSON, at line {error.lineno}: {error.msg.lower()}", expected) from error
    except RecursionError as error:
        raise Refused("not JSON: nested too deeply", expected) from error
    features = _feature_objects(content)
    if features is None:
        raise Refused("no features", expected)
    if re.search(r"CRS84|\b4326\b", str(content.get("crs"))):
        raise Refused("coordinates in degrees", "site-grid coordinates in metres")
    made = []
    for feature in features:
        fields = feature.get("properties") if isinstance(feature, dict) else None
        made.append(
            {
                "type": "Feature",
                "geometry": feature.get("geometry") if isinstance(feature, dict) else None,
                "properties": {
                    name: None if value is None else str(value)
                    for name, value in (fields.items() if isinstance(fields, dict) else ())
                },
            }
        )
    return json.dumps({"type": "FeatureCollection", "features": made}).encode()


def _feature_objects(content: Any) -> list[Any] | None:
    """Return the features of a GeoJSON object, which may be a single feature or geometry itself."""
    if not isinstance(content, dict):
        return None
    if content.get("type") == "Feature":
        return [content]
    if "coordinates" in content:
        return [{"geometry": content}]
    features = content.get("features")
    return features if isinstance(features, list) else None
