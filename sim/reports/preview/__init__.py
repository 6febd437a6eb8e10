"""The preview: a scene file becomes pictures, layers and readings in a folder.

quality    sizes and sample counts, and how they are written
record     readings.json
writing    the files: pictures, sheets, layers, readings.json
pipeline   a rehearsal's layers and readings, and from them the files
"""

from sim.reports.preview.pipeline import PreviewOrder, mix_of_lights, run_preview
from sim.reports.preview.quality import QUALITIES, Quality, require_samples, require_seed, size_from_text
from sim.reports.preview.writing import Preview

__all__ = [
    "QUALITIES",
    "Preview",
    "PreviewOrder",
    "Quality",
    "mix_of_lights",
    "require_samples",
    "require_seed",
    "run_preview",
    "size_from_text",
]
