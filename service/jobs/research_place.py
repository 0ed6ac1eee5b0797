"""Where a site keeps what research needs besides the store."""

from pathlib import Path

from service.jobs.research_releases import Releases
from service.jobs.vault import Vaults

__all__ = ["releases_in", "vaults_in"]


def vaults_in(data_dir: Path, key_file: Path) -> Vaults:
    """The random ids of every project."""
    return Vaults(data_dir / "research-vault", key_file)


def releases_in(data_dir: Path) -> Releases:
    """What has left."""
    return Releases(data_dir / "research-releases")
