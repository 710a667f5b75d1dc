"""Reports: one self-contained HTML page that says the verdict first, then shows the pictures it rests on.

A page is data (`page.py`); `survey_page`, `mend_page` and their like make it, `render.py` writes it whole or not at all.
"""
