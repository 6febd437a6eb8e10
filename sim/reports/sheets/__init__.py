"""Sheets for people: pictures with captions on a quiet ground.

    captions   a light in a photographer's words
    lettering  text in the one built-in typeface
    page       tiles, header and footer on a page
    contact    the contact sheet and the levelled sheet
    tones      false tones with their legend, histograms by part

Nothing here renders, reads a meter or touches a disk.
"""

from sim.reports.sheets.captions import light_lines, settings_text
from sim.reports.sheets.contact import contact_sheet, levelled_sheet

__all__ = ["contact_sheet", "levelled_sheet", "light_lines", "settings_text"]
