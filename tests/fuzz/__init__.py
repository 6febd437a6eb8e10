"""Damaged files by the thousand: whatever a file holds, the answer is a result or one clear line, soon."""
