"""Survey folder to :class:`asbuilt.model.Survey`: every file is read once, checked, and never written.

::

    sources.py   which files there are, and their bytes
    text.py      bytes -> text with one kind of line end, its separator and first row
    cells.py     rows and cells, with their lines
    mapping.py   which column of the file is which of ours
    values.py, times.py   cells -> numbers, ids, choices, moments
    tables.py    the door to delimited text: files -> columns that remember file and line
    vector.py, vector_bytes.py    design and clear outline from GeoPackage and GeoJSON
    design.py, loads.py, nearest.py   what the tables say, checked against one another and the site file
    survey.py    the door: reads the folder, collects every problem, raises once
"""
