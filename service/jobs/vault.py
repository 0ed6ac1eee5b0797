"""Where the random ids and offsets of research projects are kept: outside the database and every release.

A folder per project, a file per person in it, so that an export needs the memory of one person. Names and
contents of the files are unreadable without two keys: that of the vault (a file elsewhere, if a setting says
so) and a secret of the project. Destroying a project begins with its secret: after that nothing ties its
releases to people, whatever copies of the files there are. A copy of the secret and of the vault's key undoes
that, so they do not belong into the same backup as the database.
"""

import base64
import fcntl
import hmac
import json
import os
import re
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import msgspec
from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from service.errors import InvalidInput, NotFound, ServiceError, StoreUnavailable

__all__ = ["Kept", "Vault", "Vaults"]

_WHAT = b"swallow-interop research vault 1"
_NONCE = 12
_KEY = 32
_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,39}")
_PROJECT = "project.json"
_RATERS = ""
"""Stands for who rated, where a person's id stands else."""


class Kept(msgspec.Struct):
    """What is known of one person in one project.

    ``names``: ``Type/id`` to random id. ``shift``: the days their dates are moved, 0 for none yet.
    ``releases``: ids of the releases they were part of.
    """

    names: dict[str, str] = {}
    shift: int = 0
    releases: list[str] = []


class Vaults:
    """The projects of one site."""

    def __init__(self, folder: Path, key_file: Path) -> None:
        """Keep them below ``folder``, under the key in ``key_file``; both are made when first needed."""
        self._folder = folder
        self._key_file = key_file

    def projects(self) -> list[str]:
        """Names of the projects that have ids."""
        return sorted(file.parent.name for file in self._folder.glob(f"*/{_PROJECT}"))

    @contextmanager
    def working(self, project: str, variant: str) -> "Iterator[Vault]":
        """The vault of a project, made if there is none, while nobody else works with it.

        Raises InvalidInput for a name that is none (small letters, digits and hyphens, 40 at most), and for
        another variant than the project's: the same ids under two policies would join what both show.
        StoreUnavailable while another export of the project runs: both would draw random ids.
        """
        if not _NAME.fullmatch(project):
            raise InvalidInput("A project's name is of small letters, digits and hyphens, 40 at most.")
        file = self._folder / project / _PROJECT
        if not file.exists():
            secret = base64.b64encode(secrets.token_bytes(_KEY)).decode()
            _write(file, json.dumps({"variant": variant, "secret": secret}).encode())
        with _held(file):
            vault = self._vault(project)
            if vault.variant != variant:
                raise InvalidInput(
                    f"The releases of this project are by the policy {vault.variant}; the same ids under "
                    "another would join what both show. Name another project."
                )
            yield vault

    def known(self, project: str) -> "Vault":
        """The vault of a project; NotFound if there is none."""
        if project not in self.projects():
            known = ", ".join(self.projects()) or "none"
            raise NotFound(f"There is no research project of that name; there are: {known}.")
        return self._vault(project)

    def all(self) -> "Iterator[Vault]":
        """The vaults of all projects."""
        return map(self._vault, self.projects())

    def destroy(self, project: str) -> None:
        """Destroy what ties a project's releases to people; NotFound if there is none of that name.

        StoreUnavailable while an export of the project runs.
        """
        folder = self.known(project).folder
        with _held(folder / _PROJECT):
            (folder / _PROJECT).unlink()
            _sync(folder)
        shutil.rmtree(folder)

    def _vault(self, project: str) -> "Vault":
        folder = self._folder / project
        known = json.loads((folder / _PROJECT).read_text("utf-8"))
        secret = base64.b64decode(known["secret"])
        both = HKDF(SHA256(), 2 * _KEY, salt=secret, info=_WHAT).derive(self._key())
        return Vault(folder, known["variant"], both[:_KEY], both[_KEY:])

    def _key(self) -> bytes:
        """The vault's key; ServiceError if it is gone, or others can read it."""
        if not self._key_file.exists():
            if any(self._folder.glob("*/*.sealed")):
                raise ServiceError("The key of the research vault is gone; ids given before can't be read.")
            _write(self._key_file, base64.b64encode(secrets.token_bytes(_KEY)))
        if self._key_file.stat().st_mode & 0o077:
            raise ServiceError("Others can read the key of the research vault; its file must have mode 0600.")
        return base64.b64decode(self._key_file.read_bytes())


class Vault:
    """What one project knows of people."""

    def __init__(self, folder: Path, variant: str, key: bytes, naming: bytes) -> None:
        """``key`` seals the files of ``folder``, ``naming`` makes their names of ids."""
        self.folder = folder
        self.variant = variant
        self._cipher = ChaCha20Poly1305(key)
        self._naming = naming

    @property
    def project(self) -> str:
        """The project's name."""
        return self.folder.name

    def of(self, person: str) -> Kept:
        """What is kept of the person with this id; nothing of one never exported."""
        file = self._file(person)
        return self._read(file) if file.exists() else Kept()

    def keep(self, person: str, kept: Kept) -> None:
        """Write what is known of a person, whole or not at all; durable on return."""
        file = self._file(person)
        nonce = secrets.token_bytes(_NONCE)
        sealed = self._cipher.encrypt(nonce, msgspec.json.encode(kept), file.name.encode())
        _write(file, nonce + sealed)

    def raters(self) -> dict[str, str]:
        """The codes of who rated: ``Practitioner/id`` to random code."""
        return self.of(_RATERS).names

    def keep_raters(self, codes: dict[str, str]) -> None:
        """Write them; see keep."""
        self.keep(_RATERS, Kept(names=codes))

    def find(self, random_id: str) -> str | None:
        """What a random id or rater's code of this project stands for: ``Type/id``."""
        for file in self.folder.glob("*.sealed"):
            names = self._read(file).names
            found = next((key for key, name in names.items() if name == random_id), None)
            if found:
                return found
        return None

    def forget(self, person: str) -> None:
        """Remove all that is known of a person."""
        self._file(person).unlink(missing_ok=True)
        _sync(self.folder)

    def _file(self, person: str) -> Path:
        name = hmac.digest(self._naming, person.encode(), "sha256").hex()
        return self.folder / f"{name}.sealed"

    def _read(self, file: Path) -> Kept:
        sealed = file.read_bytes()
        try:
            text = self._cipher.decrypt(sealed[:_NONCE], sealed[_NONCE:], file.name.encode())
        except InvalidTag:
            raise ServiceError("The research vault was changed, or its key is another than before.") from None
        return msgspec.json.decode(text, type=Kept)


@contextmanager
def _held(file: Path) -> Iterator[None]:
    """Keep others, in this process or another, from holding a project as well."""
    with file.open("rb") as held:
        try:
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise StoreUnavailable(
                "Another export of this project is running; try again when it has finished."
            ) from None
        yield


def _write(file: Path, content: bytes) -> None:
    """Write a file whole or not at all, for its owner alone; durable on return."""
    file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    fresh = file.with_suffix(".new")
    fresh.unlink(missing_ok=True)
    handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "wb") as out:
        out.write(content)
        out.flush()
        os.fsync(out.fileno())
    fresh.replace(file)
    _sync(file.parent)


def _sync(folder: Path) -> None:
    """Make the names in a folder durable."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
