"""README carries the cautions as they are printed everywhere else."""

from pathlib import Path

import pytest

from grading import cautions

README = Path(__file__).parents[2] / "README.md"
SHOWN = {*cautions.START_OF_RUN, cautions.NO_CLAIM, cautions.LIMITS_ARE_THE_SHOPS}


@pytest.mark.parametrize("sentence", sorted(SHOWN))
def test_readme_shows_every_caution_word_for_word(sentence):
    assert sentence in " ".join(README.read_text(encoding="utf-8").split())
