"""The report on the machine: it must tell the truth about the engine that a render would use."""

from __future__ import annotations

from pathlib import Path

import pytest

from sim.cli.doctor import _engine_lines, doctor_lines
from sim.render.engine import Engine, EngineReport


def report(name: str, library: str | None, usable: bool, reason: str) -> EngineReport:
    return EngineReport(name, f"{name}_ad_rgb", Path(library) if library else None, usable, reason)


CUDA = report("cuda", None, True, "passed the trial")
NO_CUDA = report("cuda", None, False, "no NVIDIA device on this machine")
NEW = report("llvm", "/usr/lib/libLLVM.so.19.1", True, "passed the trial")
OLD = report("llvm", "/usr/lib/libLLVM-15.so.1", False, "older than LLVM 17, which the renderer needs")


def test_chosen_engine_leads_and_the_others_have_reasons() -> None:
    chosen, lines = _engine_lines([NO_CUDA, NEW, OLD], None)
    assert chosen == NEW
    assert lines == [
        "engine: LLVM 19.1 (/usr/lib/libLLVM.so.19.1): passed the trial",
        "  not CUDA (graphics card): no NVIDIA device on this machine",
        "  not LLVM 15 (/usr/lib/libLLVM-15.so.1): older than LLVM 17, which the renderer needs",
    ]


def test_graphics_card_comes_first_unless_the_other_is_asked_for() -> None:
    assert _engine_lines([CUDA, NEW], None)[0] == CUDA
    chosen, lines = _engine_lines([CUDA, NEW], "llvm")
    assert chosen == NEW and "HALFSTOP_ENGINE=llvm" in lines[1]


def test_no_engine_names_the_cure() -> None:
    chosen, lines = _engine_lines([NO_CUDA, OLD], None)
    assert chosen is None and "NONE WORKS" in lines[0] and "apt-get install" in lines[0]


def test_report_of_this_machine(engine: Engine) -> None:
    lines, can_render = doctor_lines(fresh=False)
    assert can_render and all(line and "\n" not in line for line in lines)
    told = dict(line.split(": ", 1) for line in lines if not line.startswith((" ", "halfstop")))
    assert str(engine.library or "CUDA") in told["engine"]
    assert told["denoiser"] == "works"
    assert "mitsuba 3." in told["packages"] and "missing" not in told["packages"]
    assert float(told["memory"].split()[0]) > 0


def test_report_with_a_wrong_wish(monkeypatch: pytest.MonkeyPatch) -> None:
    from sim.quantities.errors import EngineError

    monkeypatch.setenv("HALFSTOP_ENGINE", "vulkan")
    with pytest.raises(EngineError, match="llvm or cuda"):
        doctor_lines()
