"""How a page whose server has ended finds the next one: on the port of the last time, by a key that no address holds.

Every run has a new token. A page that lost its connection asks `/back/NONCE` on its own port; the answer proves that
who listens there holds the key that the page was given over its socket, and hands over the new token, sealed by it. So
nothing that only sits on the port learns a token, nor does who has read an old address.

    proof = HMAC-SHA-256(key, "proof|" nonce "|" salt "|" port)
    sealed = token XOR HMAC-SHA-512(key, "token|" nonce "|" salt "|" port)

The salt is new for every answer, so that no two tokens are ever sealed alike. Source: HMAC [RFC2104:1997].
"""

from __future__ import annotations

import hmac
import json
import re
import secrets
from contextlib import suppress
from pathlib import Path

from typing_extensions import TypedDict

from sim.quantities.atomic_write import write_whole
from sim.room.document.state_folder import bytes_from_file, stem_from_path

KEY_BYTES, SALT_BYTES = 32, 16
LONGEST_FILE_BYTES = 4096
_NONCE = re.compile(r"[0-9a-f]{32}")
_KEY = re.compile(rf"[0-9a-f]{{{2 * KEY_BYTES}}}")


class Back(TypedDict):
    """What a page needs to find its way back: the `key`, and the `command` for who has to start halfstop again."""

    key: str
    command: str


NO_WAY_BACK: Back = {"key": "", "command": ""}


class Answer(TypedDict):
    """What a page that lost its server is told, in hex."""

    salt: str
    proof: str
    sealed: str


class WayBack:
    """The key and the last port of one place, a scene file or a folder: kept in the state folder, for this user alone.

    A file that cannot be read counts as none. Does not: write anything before `keep`.
    """

    def __init__(self, state_folder: Path, place: Path) -> None:
        self._file = state_folder / f"{stem_from_path(place)}.way-back"
        self.port, self.key = self._read()

    def _read(self) -> tuple[int, str]:
        with suppress(OSError, ValueError, RecursionError):
            match json.loads(bytes_from_file(self._file, LONGEST_FILE_BYTES, follow_link=False)):
                case {"port": int(port), "key": str(key)} if 0 < port < 65536 and _KEY.fullmatch(key):
                    return port, key
        return 0, secrets.token_hex(KEY_BYTES)

    def keep(self, port: int) -> None:
        """Remember the port that is listened on; where that fails, a page only does not come back by itself."""
        self.port = port
        with suppress(OSError):
            self._file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            write_whole(self._file, json.dumps({"port": port, "key": self.key}).encode("ascii"), private=True)

    def answer(self, nonce: str, token: str) -> Answer | None:
        """What to tell a page that asks with a nonce of 32 hex digits; None for anything else."""
        if not _NONCE.fullmatch(nonce):
            return None
        salt = secrets.token_hex(SALT_BYTES)
        pad = self._mac("token", nonce, salt, "sha512")
        data = token.encode("ascii")
        sealed = bytes(a ^ b for a, b in zip(data, pad[: len(data)], strict=True))
        return {"salt": salt, "proof": self._mac("proof", nonce, salt, "sha256").hex(), "sealed": sealed.hex()}

    def _mac(self, what: str, nonce: str, salt: str, digest: str) -> bytes:
        told = f"{what}|{nonce}|{salt}|{self.port}".encode("ascii")
        return hmac.digest(bytes.fromhex(self.key), told, digest)
