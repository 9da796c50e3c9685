"""The review page: one self-contained HTML file.

::

    page.html, page.css, *.js   what the page is, and how it behaves; data.js says what it is made from
    data.py                     results to that object
    encoding.py                 arrays to JSON
    page.py                     all of it into one file, under a strict policy
"""
