"""Hands on the set: what they hold is shown where it is held, and changes nothing until they let go.

A tab sends places at the display's rate. Only the newest counts: it goes to the worker as soon as that tab can draw
another picture, so that nothing queues up, and what a hand shows is never older than the pictures under way.
"""

from __future__ import annotations

from collections.abc import Sequence

from sim.quantities.errors import SceneError
from sim.room.clients import Client
from sim.room.coordinator import PreviewCoordinator
from sim.room.document.poses import Pose, posed_scene
from sim.room.protocol.requests import lights_from_edits


class Hands:
    """What the tabs' hands hold; every method is for the event loop's thread."""

    def __init__(self, preview: PreviewCoordinator) -> None:
        self._preview = preview
        self._waiting: dict[Client, Sequence[Pose]] = {}
        self._stood: dict[Client, tuple[Pose, ...]] = {}

    def follow(self, tab: Client, poses: Sequence[Pose]) -> None:
        """Show things where a tab's hand holds them."""
        self._waiting[tab] = poses
        self._hand_over(tab)

    def drawn(self, tab: Client, serial: int) -> None:
        """A tab has drawn a live picture."""
        tab.drawn(serial)
        self._hand_over(tab)

    def stood(self, tab: Client) -> tuple[Pose, ...]:
        """Where a tab's hand held things last so that they can stand there; asked once, as it lets go."""
        self._waiting.pop(tab, None)
        return self._stood.pop(tab, ())

    def let_go(self, tab: Client) -> None:
        """A tab's hand has let go without a change, or the tab has left: show the set as it stands."""
        if self.stood(tab):
            self._preview.return_from_hand()
        self._mark(tab, None)

    def _hand_over(self, tab: Client) -> None:
        if tab not in self._waiting or not tab.keeps_up:
            return
        poses = self._waiting.pop(tab)
        snapshot = self._preview.snapshot
        if snapshot is None:
            return
        try:
            scene = posed_scene(snapshot.scene, poses, snapshot.path.name)
        except SceneError as fault:
            return self._mark(tab, fault)
        self._mark(tab, None)
        self._stood[tab] = tuple(poses)
        self._preview.follow_hand(scene, lights_from_edits(poses))

    def _mark(self, tab: Client, fault: SceneError | None) -> None:
        """Tell a tab whether what it holds can stand there, when that changes."""
        what = "" if fault is None else fault.what
        if what != tab.refused:
            tab.refused = what
            tab.tell({"type": "hand", "what": what, "cure": "" if fault is None else fault.cure})
