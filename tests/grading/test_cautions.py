"""README carries the cautions as they are printed everywhere else."""

from pathlib import Path

from grading import cautions

README = Path(__file__).parents[2] / "README.md"


def test_readme_shows_every_caution_word_for_word():
    text = " ".join(README.read_text(encoding="utf-8").split())
    for sentence in cautions.README:
        assert sentence in text
