import stat

from service.jobs.vault import Vault


def test_names_are_kept_for_the_owner_alone(tmp_path):
    folder = tmp_path / "vault" / "one"
    Vault(folder).keep("person-1", {"Patient/person-1": "a"})
    [file] = folder.iterdir()
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert Vault(folder).of("person-1") == {"Patient/person-1": "a"}


def test_a_person_never_exported_has_no_names(tmp_path):
    assert Vault(tmp_path).of("person-1") == {}


def test_a_write_that_was_cut_off_does_not_harm_what_is_kept(tmp_path):
    vault = Vault(tmp_path)
    vault.keep("p", {"Patient/p": "a"})
    [file] = tmp_path.iterdir()
    file.with_suffix(".new").write_text("{", "utf-8")
    assert vault.of("p") == {"Patient/p": "a"}
    vault.keep("p", {"Patient/p": "b"})
    assert vault.of("p") == {"Patient/p": "b"}
    assert len(list(tmp_path.iterdir())) == 1


def test_ids_that_differ_in_case_or_dots_are_different_people(tmp_path):
    vault = Vault(tmp_path)
    for person in ("a", "A", ".", "..", "a.b"):
        vault.keep(person, {"Patient": person})
    assert [vault.of(person)["Patient"] for person in ("a", "A", ".", "..", "a.b")] == [
        "a",
        "A",
        ".",
        "..",
        "a.b",
    ]
