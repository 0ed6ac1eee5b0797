import stat

import pytest

from service.errors import InvalidInput, NotFound, ServiceError, StoreUnavailable
from service.jobs.vault import Kept, Vaults

KEPT = Kept({"Patient/p": "a"}, -47, ["release"])


@pytest.fixture
def vaults(tmp_path):
    return Vaults(tmp_path / "vault", tmp_path / "key")


def kept_in(vaults, project="one", people=("p",)):
    with vaults.working(project, "safe-harbor") as vault:
        for person in people:
            vault.keep(person, KEPT)
    return vault


def test_what_is_kept_is_for_the_owner_alone_and_unreadable_without_the_keys(vaults, tmp_path):
    vault = kept_in(vaults)
    assert vaults.known("one").of("p") == KEPT
    assert stat.S_IMODE(vault.folder.stat().st_mode) == 0o700
    files = [*vault.folder.iterdir(), tmp_path / "key"]
    assert {stat.S_IMODE(file.stat().st_mode) for file in files} == {0o600}
    assert all(b"Patient" not in file.read_bytes() for file in files)
    assert all("p" not in file.stem for file in vault.folder.glob("*.sealed"))


def test_a_person_never_exported_has_no_names(vaults):
    assert kept_in(vaults).of("another") == Kept()


def test_a_write_that_was_cut_off_does_not_harm_what_is_kept(vaults):
    vault = kept_in(vaults)
    [file] = vault.folder.glob("*.sealed")
    file.with_suffix(".new").write_text("{", "utf-8")
    assert vault.of("p") == KEPT
    vault.keep("p", Kept({"Patient/p": "b"}))
    assert vault.of("p") == Kept({"Patient/p": "b"})
    assert len(list(vault.folder.iterdir())) == 2


def test_ids_that_differ_in_case_or_dots_are_different_people(vaults):
    people = ("a", "A", ".", "..", "a.b")
    vault = kept_in(vaults, people=people)
    for person in people:
        vault.keep(person, Kept({"Patient": person}))
    assert [vault.of(person).names["Patient"] for person in people] == list(people)


def test_a_random_id_is_found_in_its_project_alone(vaults):
    kept_in(vaults, "one")
    kept_in(vaults, "two", people=())
    assert vaults.known("one").find("a") == "Patient/p"
    assert vaults.known("two").find("a") is None


def test_a_project_destroyed_is_gone_and_the_others_stay(vaults):
    vault = kept_in(vaults, "one")
    kept_in(vaults, "two")
    [copy] = [file.read_bytes() for file in vault.folder.glob("*.sealed")]
    vaults.destroy("one")
    assert vaults.projects() == ["two"]
    assert not vault.folder.exists()
    with pytest.raises(NotFound, match="there are: two"):
        vaults.known("one")
    again = kept_in(vaults, "one", people=())
    (again.folder / vault._file("p").name).write_bytes(copy)  # a copy somebody kept
    with pytest.raises(ServiceError, match="was changed, or its key"):
        again.find("a")


def test_what_was_changed_or_put_in_another_s_place_is_found(vaults):
    vault = kept_in(vaults, people=("p", "q"))
    first, second = sorted(vault.folder.glob("*.sealed"))
    first.write_bytes(second.read_bytes())
    with pytest.raises(ServiceError, match="was changed"):
        [vault.of(person) for person in ("p", "q")]


def test_a_key_that_is_gone_or_open_to_others_is_told(vaults, tmp_path):
    kept_in(vaults)
    (tmp_path / "key").chmod(0o640)
    with pytest.raises(ServiceError, match="mode 0600"):
        vaults.known("one")
    (tmp_path / "key").unlink()
    with pytest.raises(ServiceError, match="key of the research vault is gone"):
        vaults.known("one")


def test_a_project_has_one_policy_and_one_export_at_a_time(vaults):
    with (
        vaults.working("one", "safe-harbor"),
        pytest.raises(StoreUnavailable, match="is running"),
        vaults.working("one", "safe-harbor"),
    ):
        pass
    with pytest.raises(StoreUnavailable, match="is running"), vaults.working("one", "safe-harbor"):
        vaults.destroy("one")
    with (
        pytest.raises(InvalidInput, match="are by the policy safe-harbor"),
        vaults.working("one", "shifted-dates"),
    ):
        pass


@pytest.mark.parametrize("name", ["", "..", "a/b", "Big", "x" * 41, "-x", "a b"])
def test_a_name_that_is_none(vaults, name):
    with pytest.raises(InvalidInput, match="small letters"), vaults.working(name, "safe-harbor"):
        pass
    with pytest.raises(NotFound, match="there are: none"):
        vaults.known(name)
