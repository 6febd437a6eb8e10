"""The open document with where everything stands: what the session asks of it, all in one thread."""

from __future__ import annotations

import hashlib
import os
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from sim.quantities.errors import HalfstopError
from sim.render import fingerprint
from sim.room.document.edits import Edit
from sim.room.document.scene_document import SceneDocument
from sim.room.document.state_folder import stem_from_path
from sim.room.home.starts import is_original
from sim.room.protocol.messages import Recovered, VersionFacts
from sim.room.protocol.scene_view import RoomWarning, State
from sim.room.snapshot.placement_cache import Placed, PlacementCache
from sim.room.snapshot.view import view_from_document
from sim.room.snapshot.warnings import warnings_from_layout
from sim.room.way_back import NO_WAY_BACK, Back
from sim.scene.model import Scene
from sim.studio.layout import Layout

TOUR_FILE = "tour-done"


@dataclass(frozen=True, eq=False)
class Snapshot:
    """The document at one moment: what the tabs are told of it, and what decides its layers and readings.

    `traced_by`: equal ones need the same picture. `metered_by`: equal ones need the same readings. `checked_by`: equal
    ones need the same checks. `version_facts` what a kept version is mixed by.
    """

    revision: int
    text: str
    path: Path
    scene: Scene
    layout: Layout
    names: tuple[str, ...]
    aspect: float
    geometry: int
    traced_by: tuple[object, ...]
    metered_by: tuple[object, ...]
    checked_by: str
    state: State
    version_facts: VersionFacts


@dataclass(frozen=True)
class _Place:
    """Where a scene is open: the `address`, an id of this `set` while it is open, the way `back` to it, whether the
    file comes with the program, whether to offer the `tour`."""

    address: str
    set: str
    back: Back
    example: bool
    tour: bool


@dataclass(frozen=True)
class _LookedOver:
    """Warnings of the layout, and the set-up that they are of."""

    checked_by: str
    warnings: tuple[RoomWarning, ...]


class OpenScene:
    """One open scene; every method belongs in the same thread.

    Arguments: `path` of the scene file; `state_folder` for its journal; `address` told to whoever opens it elsewhere;
    `placements` one for all scenes of a session, so that no two sets of layers share a number; `back` how a page that
    loses its server finds the next one.
    Raises HalfstopError where it cannot be opened.
    """

    def __init__(
        self, path: Path, state_folder: Path, address: str, placements: PlacementCache | None = None,
        back: Back = NO_WAY_BACK,
    ) -> None:  # fmt: skip
        self._address, self._back = address, back
        self._set = secrets.token_hex(8)
        self._state_folder = state_folder
        self._document = SceneDocument.open(path, state_folder)
        self._document.announce(address)
        self._placements = placements or PlacementCache()
        self._snapshot: Snapshot | None = None
        self._looked_over = _LookedOver("", ())
        self.look_over()
        self.recovery = self._recovery()

    # -- what there is ---------------------------------------------------------------------------

    @property
    def path(self) -> Path:
        """The scene file."""
        return self._document.path

    def is_at(self, path: Path) -> bool:
        """Whether this is the file that another path leads to."""
        return os.path.realpath(path) == os.path.realpath(self._document.path)

    @property
    def revision(self) -> int:
        """The document's count of changes."""
        return self._document.revision

    @property
    def saved(self) -> bool:
        """Whether the file holds what is worked on."""
        return self._document.saved

    @property
    def versions_file(self) -> Path:
        """Where the texts of kept versions of this scene outlive the server."""
        return self._state_folder / f"{stem_from_path(self._document.path)}.slots"

    def snapshot(self) -> Snapshot:
        """The document as it stands now."""
        if self._snapshot is None:
            document = self._document
            placed = self._placements.placed(document.scene)
            self._snapshot = _snapshot(document, placed, self._looked_over, self._place())
        return self._snapshot

    def look_over(self) -> bool:
        """Find what cannot stand or can hurt, which takes longer than an edit may; True where it was not known."""
        snapshot = self.snapshot()
        if snapshot.state["looked_over"]:
            return False
        warnings = warnings_from_layout(snapshot.scene, snapshot.layout)
        self._looked_over = _LookedOver(snapshot.checked_by, tuple(warnings))
        self._snapshot = None
        return True

    def _place(self) -> _Place:
        return _Place(
            self._address,
            self._set,
            self._back,
            is_original(self._document.path),
            tour=not (self._state_folder / TOUR_FILE).exists(),
        )

    def disk(self) -> tuple[str, str]:
        """How the file stands: "same", "changed", "gone" or "bad", and a line for people."""
        state = self._document.disk_state()
        name = self._document.path.name
        match state:
            case "same":
                return "same", ""
            case "changed":
                return "changed", f"{name} was changed by another program: load it, or keep what is here"
            case "gone":
                return "gone", f"{name} is no longer there; saving writes it again"
            case fault:
                return "bad", f"{fault} (what is here stays as it is)"

    def caution(self, line: str) -> None:
        """Say a line beside the scene's name until the next change; an empty one says nothing."""
        if line:
            self._document.trouble = "; ".join(filter(None, (self._document.trouble, line)))
            self._snapshot = None

    # -- changing --------------------------------------------------------------------------------

    def apply(self, edits: Sequence[Edit], merge: str | None) -> None:
        """Do some edits as one step of undo, or refuse them all."""
        self._document.apply(edits, merge)
        self._settle()

    def put_text(self, text: str, title: str) -> None:
        """Go to another text as one step of undo."""
        self._document.replace(text, title)
        self._settle()

    def undo(self) -> None:
        """Take the last step back."""
        self._document.undo()
        self._settle()

    def redo(self) -> None:
        """Do the last step that was taken back once more."""
        self._document.redo()
        self._settle()

    def reload(self) -> None:
        """Take the file as it is on disk."""
        self._document.reload()
        self._settle()

    def _settle(self) -> None:
        """Find all places anew; a change that the set cannot be set up for is taken back."""
        before, self._snapshot = self._snapshot, None
        try:
            self.snapshot()
        except HalfstopError:
            # What a check of the text cannot see, such as a mesh file that does not hold.
            if before is not None:
                self._document.replace(before.text, "keep the set as it was")
            raise

    # -- the file --------------------------------------------------------------------------------

    def save(self, force: bool) -> Path:
        """Write the file; refuses to change a set-up that comes with the program."""
        if is_original(self._document.path):
            raise HalfstopError(
                f"{self._document.path.name} is a set-up that comes with the program and stays as it is; save it "
                "under a name of your own"
            )
        self._document.save(force=force)
        self._snapshot = None
        return self._document.path

    def save_as(self, path: Path, replace: bool) -> Path:
        """Write another file and go on with it."""
        self._document.save_as(path, replace=replace)
        self._document.announce(self._address)
        self._snapshot = None
        return self._document.path

    def close(self) -> None:
        """Give the file up; what is not saved stays in the journal."""
        self._document.close()

    # -- recovery and the tour -------------------------------------------------------------------

    def _recovery(self) -> Recovered | None:
        text = self._document.recovery_text()
        return {"type": "recovered", "text": text} if text else None

    def take_recovery(self) -> None:
        """Bring back what an earlier session left."""
        self._document.take_recovery()
        self.recovery = self._recovery()
        self._settle()

    def discard_recovery(self) -> None:
        """Let go of what an earlier session left."""
        self._document.discard_recovery()
        self.recovery = self._recovery()
        self._snapshot = None

    def end_tour(self) -> None:
        """Do not offer the tour again."""
        self._state_folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        (self._state_folder / TOUR_FILE).touch()
        self._snapshot = None


def _snapshot(document: SceneDocument, placed: Placed, looked_over: _LookedOver, place: _Place) -> Snapshot:
    scene, layout = placed.scene, placed.layout
    view = view_from_document(document, placed, tour=place.tour)
    # What was found before the last change may speak of lights that are gone.
    holding = [warning for warning in looked_over.warnings if set(warning["lights"]) <= set(layout.light_names)]
    checked_by = fingerprint.of(scene.model_copy(update={"title": ""}))
    mix = placed.mix
    weights = mix.only(mix.names).weights_rgb(scene.camera.shutter_s)
    meters = hashlib.blake2b(repr(scene.meters).encode(), digest_size=16).hexdigest()
    traced_by = (placed.geometry, layout.camera.aspect, scene.render.depth, layout.light_names)
    return Snapshot(
        revision=document.revision,
        text=document.text,
        path=document.path,
        scene=scene,
        layout=layout,
        names=layout.light_names,
        aspect=layout.camera.aspect,
        geometry=placed.geometry,
        traced_by=traced_by,
        metered_by=(*traced_by, meters),
        checked_by=checked_by,
        state={
            **view,
            "warnings": [*holding, *view["warnings"]],
            "address": place.address,
            "set": place.set,
            "back": place.back,
            "example": place.example,
            "checked_by": checked_by,
            "looked_over": looked_over.checked_by == checked_by,
        },
        version_facts={
            "revision": document.revision,
            "geometry": placed.geometry,
            "weights": {name: [float(x) for x in row] for name, row in zip(mix.names, weights, strict=True)},
            "muted": [name for name, muted in zip(mix.names, mix.muted, strict=True) if muted],
            "exposure": view["exposure"],
        },
    )
