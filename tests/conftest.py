"""Settings shared by every test: marks, the property-test profile and one start of the render engine."""

from __future__ import annotations

import os
from collections.abc import Iterator

import hypothesis
import pytest
from browser import NO_BROWSER

from sim.quantities.errors import EngineError
from sim.render.engine import Engine, preload_private_libraries, start_engine

hypothesis.settings.register_profile("halfstop", deadline=None, derandomize=True, max_examples=60)
hypothesis.settings.load_profile("halfstop")

_ENGINE: list[Engine | str] = []


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--slow", action="store_true", help="also run the slow tests (or set HALFSTOP_SLOW=1)")


def pytest_sessionstart(session: pytest.Session) -> None:
    # Keep no layers from test to test, nor in the user's folder, unless a test asks.
    os.environ["HALFSTOP_CACHE"] = "off"
    # Start the renderer before test modules are read: some of its types exist only once an engine is chosen.
    preload_private_libraries()
    try:
        _ENGINE.append(start_engine())
    except (EngineError, ImportError) as error:
        _ENGINE.append(str(error))


def pytest_report_header() -> str:
    started = _ENGINE[0] if _ENGINE else "not started"
    if isinstance(started, Engine):
        return f"engine: {started.name} {started.library or ''} with {started.threads} threads"
    return f"engine: none ({started})"


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    all_tests = config.getoption("--slow") or os.environ.get("HALFSTOP_SLOW", "") not in ("", "0")
    has_gpu = any(isinstance(started, Engine) and started.name == "cuda" for started in _ENGINE)
    for item in items:
        if item.get_closest_marker("slow") and not all_tests:
            item.add_marker(pytest.mark.skip(reason="slow: run with --slow or HALFSTOP_SLOW=1"))
        if item.get_closest_marker("gpu") and not has_gpu:
            item.add_marker(pytest.mark.skip(reason="needs a CUDA device"))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say how many tests were skipped for want of a browser, since a pass without one is not whole."""
    skipped = [report for report in terminalreporter.stats.get("skipped", []) if NO_BROWSER in str(report.longrepr)]
    if skipped:
        terminalreporter.write_line(f"{len(skipped)} tests of pages skipped: no browser (apt-get install chromium)")


@pytest.fixture(scope="session")
def engine() -> Iterator[Engine]:
    """The render engine of this process; a test that asks for it fails where none works."""
    started = _ENGINE[0]
    if not isinstance(started, Engine):
        pytest.fail(started)
    yield started
