"""Work that must not hold the room up, in a process of its own: exports, thumbnails."""
