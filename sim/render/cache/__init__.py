"""Layers and readings kept from run to run, on disk and in memory, so that a change traces only what it affects."""
