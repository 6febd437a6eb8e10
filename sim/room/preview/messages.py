"""What is asked of the worker and what it answers: plain data, without a renderer.

A request is answered in this sequence, each answer carrying its `serial` and `revision`:

    Progress*  LiveReady*  PictureReady "first"  Progress*  PictureReady "settled"  MetersReady  ChecksReady

"first" is left out where no layer has to be traced, or there is no telling picture to be had sooner; LiveReady comes
in its place where only lights have moved, as long as no newer request waits and until the hand has rested. A newer
request ends all of it: what was not sent by then is never sent. Failed ends it too, with one plain line.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np

from sim.advice.checks.noseshadow import KeyShadow
from sim.advice.finding import Finding
from sim.light.readings import ProbeReadings
from sim.quantities.plain import PlainDict
from sim.room.preview.frame import PreviewFrame
from sim.scene.model import Scene


@dataclass(frozen=True)
class PreviewRequest:
    """Make the pictures of this text of a scene.

    `serial` greater than that of every request before; `revision` is handed back as it came. `text` of the scene and
    `path` of its file (its folder is where the scene's own files are looked for; the file itself is not read). `size`
    (width, height) in pixels. `look_first` names of the lights that people look at now: their layers are in the first
    picture; when empty the worker finds out by itself which moved. `samples` camera rays per pixel of the settled
    picture, 4 or more; 8 is a draft's. `seed` as in a preview. `picture` False sends no picture, only meters and checks
    (after a dial was turned, the lines of the checks change and the layers do not); `analyse` False leaves these out.
    """

    serial: int
    revision: int
    text: str
    path: str
    size: tuple[int, int]
    look_first: tuple[str, ...] = ()
    samples: int = 8
    seed: int = 0
    picture: bool = True
    analyse: bool = True


@dataclass(frozen=True)
class PoseRequest:
    """Follow a hand: show the lights of this scene where they stand now, in the picture that was sent last.

    `scene` checked, with what a hand moves where it holds it; `serial` one of its own, as a request's; `revision` of
    the document that it moves in. Answered by LiveReady and LiveMetersReady alone, and by none of them where it cannot
    be followed. A newer request, or a newer pose, takes its place.
    """

    serial: int
    revision: int
    scene: Scene = field(repr=False)
    size: tuple[int, int]
    look_first: tuple[str, ...] = ()


@dataclass(frozen=True)
class Progress:
    """Finished part 0..1 of what is being done: "first", "settled", "meters" or "checks"."""

    kind: ClassVar[str] = "progress"
    serial: int
    revision: int
    pass_name: str
    part: float


@dataclass(frozen=True)
class PictureReady:
    """A whole picture of every light; `kind` is "first" or "settled", as is `frame.pass_name`."""

    serial: int
    revision: int
    frame: PreviewFrame

    @property
    def kind(self) -> str:
        """ "first": soon, coarse in the layers `frame.coarse`; "settled": as fine as was asked."""
        return self.frame.pass_name


@dataclass(frozen=True)
class LiveReady:
    """The layers of moved lights as they follow a hand, for viewing alone; every other layer stays as it was sent.

    `names` of the lights, `is_rough` whether their bounce is still the one of before; `pixels` (m, h, w, 3) float16 as
    in `PreviewFrame.view`, `scale` (m,) powers of two.
    """

    kind: ClassVar[str] = "live"
    serial: int
    revision: int
    names: tuple[str, ...]
    pixels: np.ndarray = field(repr=False)
    scale: tuple[float, ...]
    is_rough: bool = True

    def data(self) -> bytes:
        """The layers one after the other: float16 little-endian, row by row from the top, RGB."""
        packed: bytes = self.pixels.astype("<f2", copy=False).tobytes()
        return packed


@dataclass(frozen=True)
class LiveMetersReady:
    """The report's readings while a hand drags, their errors as large as is not known yet; no search may use them."""

    kind: ClassVar[str] = "live meters"
    serial: int
    revision: int
    readings: ProbeReadings


@dataclass(frozen=True)
class MetersReady:
    """Readings of the standard points, then the scene's own, then the report's, each light at full dial and white.

    `nose_shadow` what the key, at the request's own dials, draws on the face.
    """

    kind: ClassVar[str] = "meters"
    serial: int
    revision: int
    readings: ProbeReadings
    standard_count: int
    scene_count: int
    nose_shadow: KeyShadow | None = None

    @property
    def standard(self) -> ProbeReadings:
        """Domes at the points that every scene has (`sim.metering.points.standard_probes`)."""
        return self.readings.between(0, self.standard_count)

    @property
    def own(self) -> ProbeReadings:
        """The meter points of the scene file (`sim.metering.points.scene_probes`)."""
        return self.readings.between(self.standard_count, self.standard_count + self.scene_count)

    @property
    def report(self) -> ProbeReadings:
        """What `sim.metering.report.report_from_probes` asks for (`sim.metering.report_points.report_probes`)."""
        return self.readings.between(self.standard_count + self.scene_count, len(self.readings.probes))


@dataclass(frozen=True)
class ChecksReady:
    """The analysis of the settled picture at the request's own dials: JSON-ready `record`, and findings by subject."""

    kind: ClassVar[str] = "checks"
    serial: int
    revision: int
    record: PlainDict = field(repr=False)
    findings: dict[str, tuple[Finding, ...]]


@dataclass(frozen=True)
class Failed:
    """Nothing more comes of this request; `line` says why in one plain line. The next request is taken all the same."""

    kind: ClassVar[str] = "failed"
    serial: int
    revision: int
    line: str


Result = Progress | PictureReady | LiveReady | LiveMetersReady | MetersReady | ChecksReady | Failed
