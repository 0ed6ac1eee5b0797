"""Sealed files: read by who has the key; every change of them is found."""

import io
import os
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from service.cli import main
from service.errors import InvalidInput
from service.shipped import shipped
from service.store.sealed import Sealing, Unsealed, is_sealed, new_key, read_key, recipient_of

HEAD = 25 + 64
CHUNK = 65_536 + 16


@pytest.fixture
def key_file(tmp_path: Path) -> Path:
    path = tmp_path / "key"
    path.write_text(new_key())
    return path


def sealed(content: bytes, key_file: Path, piece: int = 10_000) -> bytes:
    under = io.BytesIO()
    with Sealing(under, recipient_of(read_key(key_file))) as file:
        for at in range(0, len(content), piece):
            file.write(content[at : at + piece])
    return under.getvalue()


def opened(text: bytes, key_file: Path) -> bytes:
    return io.BufferedReader(Unsealed(io.BytesIO(text), read_key(key_file), "file")).read()


@pytest.mark.parametrize("size", [0, 1, 65_535, 65_536, 65_537, 131_072, 300_001])
@pytest.mark.parametrize("piece", [777, 65_536, 1_000_000])
def test_what_was_sealed_is_read(key_file: Path, size: int, piece: int) -> None:
    content = os.urandom(size)
    text = sealed(content, key_file, piece)
    assert opened(text, key_file) == content
    assert len(text) == HEAD + size + 16 * max(1, -(-size // 65_536))


def test_nothing_of_the_content_shows(key_file: Path) -> None:
    text = sealed(b"Quetzalcoatl " * 20_000, key_file)
    assert b"Quetz" not in text
    assert text != sealed(b"Quetzalcoatl " * 20_000, key_file)


def test_another_key_does_not_open_it(key_file: Path, tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.write_text(new_key())
    with pytest.raises(InvalidInput, match="another key"):
        opened(sealed(b"content", key_file), other)


CONTENT = bytes(range(256)) * 800  # four chunks, the last one shorter


@pytest.mark.parametrize("cut", [0, 10, HEAD - 1, HEAD, HEAD + 5, HEAD + CHUNK, HEAD + 2 * CHUNK, -1])
def test_a_file_cut_short_is_found(key_file: Path, cut: int) -> None:
    with pytest.raises(InvalidInput, match="cut short"):
        opened(sealed(CONTENT, key_file)[:cut], key_file)


@pytest.mark.parametrize("at", [HEAD - 1, HEAD, HEAD + CHUNK - 1, HEAD + CHUNK, -1, -20])
def test_a_changed_byte_is_found(key_file: Path, at: int) -> None:
    text = bytearray(sealed(CONTENT, key_file))
    text[at] ^= 1
    with pytest.raises(InvalidInput, match="damaged"):
        opened(bytes(text), key_file)


def test_chunks_in_another_order_more_or_fewer_are_found(key_file: Path) -> None:
    text = sealed(CONTENT, key_file)
    head, first, second = text[:HEAD], text[HEAD : HEAD + CHUNK], text[HEAD + CHUNK : HEAD + 2 * CHUNK]
    rest = text[HEAD + 2 * CHUNK :]
    for changed in (
        head + second + first + rest,
        head + first + rest,
        head + first + second + second + rest,
        text + b"x",
        text + text[HEAD:],
    ):
        with pytest.raises(InvalidInput, match="damaged"):
            opened(changed, key_file)


def test_what_is_no_key_is_told(tmp_path: Path) -> None:
    for text in ("", "short", "ü" * 44, "A" * 44 + "=="):
        path = tmp_path / "key"
        path.write_text(text)
        with pytest.raises(InvalidInput, match="backup-key"):
            read_key(path)
        with pytest.raises(InvalidInput, match="backup-key"):
            Sealing(io.BytesIO(), text)


def test_a_file_says_that_it_is_sealed(key_file: Path, tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_bytes(sealed(b"x", key_file))
    assert is_sealed(file)
    assert not is_sealed(key_file)


def test_a_sealed_backup_is_restored_with_its_key_alone(tmp_path: Path) -> None:
    here, file, key = tmp_path / "here", tmp_path / "backup", tmp_path / "keys" / "key"
    visit = shipped("examples", "visits", "demo-01-visit-1.yaml")
    assert called("load", visit, "--data-dir", here).exit_code == 0
    recipient = called("backup-key", key).output.strip()
    assert called("backup-key", key).output.strip() == recipient
    assert key.stat().st_mode & 0o777 == 0o600
    assert called("backup", file, "--recipient", recipient, "--data-dir", here).exit_code == 0
    assert is_sealed(file)
    there = tmp_path / "there"
    refused = called("restore", file, "--data-dir", there)
    assert (refused.exit_code, "--key-file" in refused.output) == (1, True)
    other = tmp_path / "other"
    called("backup-key", other)
    assert "another key" in called("restore", file, "--key-file", other, "--data-dir", there).output
    restored = called("restore", file, "--key-file", key, "--data-dir", there)
    assert (restored.exit_code, "restored and compared" in restored.output) == (0, True), restored.output


def called(*words: object) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])
