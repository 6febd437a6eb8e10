"""The teaching handout: one HTML file with the light layers inside, mixed live in the browser, that opens offline.

    layers   light layers as compact text, without loss
    page     the page; its template, style and modules lie in the folder page/

Without JavaScript the page is a static sheet: picture, duties, readings, strips, plan.
"""

from __future__ import annotations

from sim.reports.handout.page import Handout, handout_html, mixed_codes

__all__ = ["Handout", "handout_html", "mixed_codes"]
