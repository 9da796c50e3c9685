"""Sheets: drawings on paper in millimetres, true to scale.

A sheet is a value (:class:`~asbuilt.output.sheets.frame.Sheet`): what it is called, its scale, how it is drawn, its
legend and notes. :mod:`~asbuilt.output.sheets.book` puts sheets on framed pages and binds them to one PDF.
"""
