"""The sentences on what can hurt somebody: the same everywhere, each where its work is shown."""

from pathlib import Path

import pytest

from service.page import cautions

README = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
NAMED = (cautions.EXERCISES, cautions.FOOD, cautions.HOME, cautions.ENDOSCOPY, cautions.XRAY)


@pytest.mark.parametrize(("name", "said"), NAMED)
def test_readme_has_the_same_sentences(name, said):
    assert f'- **{name}.** "{said}"\n' in README


@pytest.mark.parametrize("said", cautions.EVERYWHERE)
def test_readme_says_what_stands_at_the_foot_of_every_page(said):
    assert said in README


@pytest.mark.parametrize(
    ("methods", "told"),
    [
        ([], ()),
        ([""], ()),
        (["videofluoroscopic", "videofluoroscopic"], (cautions.XRAY,)),
        (["videofluoroscopic", "endoscopic"], (cautions.ENDOSCOPY, cautions.XRAY)),
    ],
)
def test_a_study_has_the_caution_of_its_method_once(methods, told):
    assert cautions.of_studies(methods) == told
