"""The ``site.toml`` of a new survey folder: every key, its unit, and what it does."""

from __future__ import annotations

__all__ = ["SITE_TEMPLATE"]

#: ``{name}`` is the folder's name. Lines "# key = value" hold a default, or an example where there is none.
SITE_TEMPLATE = """\
# Settings of one survey folder. Levels are m in the site datum, coordinates m in the site grid;
# a name that ends in _mm, _mm_per_m or _deg says its unit. A run needs this file and rows in
# design/piles.csv. This file is accepted as it stands, but EVERY VALUE BELOW IS A PLACEHOLDER
# until you have put your job's own in its place.
# A line "# key = value" shows a key that may be given: with its default, or "(no default)".
# An unknown key is refused, so a slip of the pen cannot pass unseen.

[site]
name = {name}
# confidence = 0.95             # how sure is sure, above 0.5 and below 1
# time_zone = "UTC"             # of times without an offset; a date alone is the end of that day

# [design]                      # only when the design is not design/piles.csv
# piles = "design/wall.gpkg"    # (no default) a .csv, .gpkg or .geojson file in this folder
# layer = "piles"               # (no default) its layer
# clear_outline = "design/clear_outline.geojson"   # (no default) outline that the permanent works need clear

# The map grid behind the site grid: map_crs with control/points.csv, or with the four parameters.
# Without it outputs are in the site grid alone, none of them placed on a map.
# [grid]
# map_crs = "EPSG:32631"        # (no default) the map's coordinate system
# origin_e = 500000.0           # (no default) all four or none:
# origin_n = 5700000.0          # (no default) E' = origin_e + scale (E cos r + N sin r)
# rotation_deg = 0.0            # (no default) N' = origin_n + scale (-E sin r + N cos r)
# scale = 1.0                   # (no default)

[levels]
commence = 4.00                 # commencing surface (top of the guide wall); depths are measured from it
cut_off = 3.20                  # where the design table gives none
formation = -8.00               # underside of the final excavation
interlock_to = -9.50            # joints must interlock down to here
# lowest = -40.0                # a level outside lowest to highest is a finding
# highest = 10.0
# water_outside = 1.50          # (no default) for ranking and drawing
# water_inside = -8.50          # (no default)
# tight_stratum = -14.00        # (no default) top of it

# Excavation stages, any number. joints_to says how deep joints must be sound before this dig;
# left out, to the bottom of each joint's range. The tool lists what stands in a stage's way;
# it never releases one.
[[stages]]
name = "dig 1"
level = 0.50
# joints_to = -3.00             # (no default)

[[stages]]
name = "final dig"
level = -8.00

# One section for each wall in the design table.
[walls.A]
closed = true                   # the last pile ties in to the first, and the pit is inside
# pit_side = "left"             # (no default) needed for an open wall: left or right, walking along it
# formation = -8.00             # (no default) where this wall differs from [levels]
# interlock_to = -9.50          # (no default)
# cut_off = 3.20                # (no default)
# extra_joints = []             # further pairs of pile ids, such as [["A7", "B1"]]

# Tolerances are your project's own: take them from its specification, not from here.
# A tolerance left out means that the check is not made, and every output says so.
[tolerance]
plan_mm = 25                    # plan position at cut-off, where the cut-off is at the commencing surface
# plan_growth_mm_per_m = 0      # added for each metre that the cut-off lies below the commencing surface
verticality = "1:200"           # or by kind: {{ primary = "1:150", secondary = "1:200" }}
overlap_mm = 50                 # least overlap of neighbours
# chord_mm = 400                # (no default) least common chord, turned into an overlap
# encroach_mm = 50              # (no default) movement towards the pit
# encroach_growth_mm_per_m = 0  # added for each metre below cut-off
# clear_mm = 0                  # how far a face may stand inside the clear outline
# overbreak_mm = 0              # by which a face is thicker than the pile
# toe_mm = 100                  # (no default) by which a toe may be above design
# radius_check_mm = 25          # fitted radius against the diameter shot

# How each check decides. simple: measured against allowed. guarded: by the probability that it
# conforms, within and outside only when sure, else unresolved.
[decide]
# plan = "simple"
# vertical = "simple"
# toe = "simple"
# joint = "guarded"
# encroach = "guarded"
# holds = ["joint", "toe", "encroach"]   # checks that hold a stage; plan and vertical may be added

# One standard deviation of each source. Put in what your instruments and crews have shown.
[uncertainty]
# pickup_mm = 5                 # each shot, per axis
# setup_mm = 3                  # common to all shots of one set-up
# radius_mm = 5
# tilt_mm_per_m = 1.0           # each reading
# tilt_systematic_mm_per_m = 0.5
# wander_mm_per_m = 0.3         # per square root of a metre not read
# profile_mm = 2
# profile_mm_per_m = 0.25
# axis = "straight"             # cased piles; "stepped" for uncased boring; the other is reported beside it

# Lean readings say where the toe goes ("toe") or where the top leans ("top"): a wrong choice gives
# a plausible mirrored wall. Ask who reads; needed as soon as there are readings.
[readings]
# sense = "toe"                 # (no default)
# level_length_mm = 1200        # for unit "mm", the gap under a level of this length

# [sequence]                    # age of a primary when its secondary cuts it
# cut_after_h = 12              # (no default) hours; the mix designer's figures
# cut_before_h = 72             # (no default)

# [set_out]                     # for asbuilt setout
# play_mm = 15                  # how far a centre may be moved within the guide wall
# across_wall = false
# advise_from_mm = 10           # gain from which a move is advised
# columns = ["point", "easting", "northing", "level", "code"]   # of the instrument's file

# [steering]                    # for asbuilt steer and read: a correction beyond it is "stop and ask"
# mm_per_m_per_metre = 1.0      # (no default) how much the casing can still be turned, per metre drilled

# [sheets]                      # what the title block carries
# paper = "A3"                  # A4, A3, A2, A1 or A0
# drawing_number = "0001"       # (no default)
# revision = "A"                # (no default)
# originator = "name"           # (no default)
# revisions = [{{ rev = "A", date = "2025-05-16", text = "first issue" }}]   # (no default)

# [archive]                     # for asbuilt archive: the name of the folder in it, and who to ask
# name_pattern = "{{originator}}-{{number}}-{{revision}}"   # (no default)
# contact = "name"              # (no default)

# [columns.pickups]             # how your files name their columns: ours = theirs
# point = "PtNo"                # (no default)
# pile_id = "Code"              # (no default)
# order = ["point", "easting", "northing", "level"]   # (no default) for files without a header row
# pile_id_from = "^(A[0-9]+)"   # (no default) a regular expression with one group, on point
# date_from_name = "%Y%m%d"     # (no default) a date in the file's name
# object_from = {{ CSG = "casing", RIM = "casing" }}   # (no default) what was shot, by the code column
# shot_from = {{ CSG = "centre", RIM = "edge" }}   # (no default) centre or edge; list every code, or it is a problem
"""
