"""The preview: a scene file becomes pictures, layers and readings in a folder.

    quality    sizes and sample counts, and how they are written
    record     readings.json
    pipeline   scene -> layout -> stage -> render -> meters -> pictures -> files

The renderer loads inside the pipeline, once the scene is known to be good.
"""

from sim.reports.preview.pipeline import Preview, PreviewOrder, mix_of_lights, run_preview
from sim.reports.preview.quality import QUALITIES, Quality, require_samples, require_seed, size_from_text

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
