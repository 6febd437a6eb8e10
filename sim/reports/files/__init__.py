"""Files of a preview: written whole or not at all, and only over files of our own.

    folder   a folder of results: staged, renamed, remembered in a manifest
    folder_lock  one run at a time changes it
    png      pictures with their title and settings
    exr      the layers in linear light

The same results give the same bytes; no file holds a time.
"""

from sim.reports.files.exr import exr_layer_names, write_layers
from sim.reports.files.folder import MANIFEST, OutputError, ResultFolder, write_one_file
from sim.reports.files.png import png_bytes

__all__ = [
    "MANIFEST",
    "OutputError",
    "ResultFolder",
    "exr_layer_names",
    "png_bytes",
    "write_layers",
    "write_one_file",
]
