"""How much memory a piece of work takes at its peak, measured in a process of its own."""

from __future__ import annotations

import subprocess
import sys

_FRAME = """
import sys
from pathlib import Path

def peak_kb():
    # Since this program began; getrusage would count what its parent took before.
    return int(Path("/proc/self/status").read_text().split("VmHWM:")[1].split()[0])

{imports}
before = peak_kb()
{work}
print(peak_kb() - before)
"""


def grown_mb(imports: str, work: str, *arguments: str) -> float:
    """Peak memory in MB (2^20 bytes) of `work` above what `imports` took; `arguments` are its `sys.argv[1:]`."""
    code = _FRAME.format(imports=imports, work=work)
    child = subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, text=True, timeout=300)
    assert child.returncode == 0, child.stderr
    return int(child.stdout.split()[-1]) / 1024
