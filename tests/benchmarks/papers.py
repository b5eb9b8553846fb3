"""How long the papers of one run take, from a cold start: six certificates and the summary, then a lot of 96.

    python tests/benchmarks/papers.py

The gradings are those of `tests/grading/sample_grading.py`; nothing is read from a record. Wanted for the
papers of six cells: under 5 s.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "grading"))


@contextmanager
def timed(what: str) -> Iterator[None]:
    """Print the time on the clock and on the processor that the block took."""
    clock, processor = time.perf_counter(), time.process_time()
    yield
    print(f"{time.perf_counter() - clock:6.2f} s ({time.process_time() - processor:5.2f} s CPU)  {what}")


def main() -> None:
    """Print one line for each job."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with timed("6 certificates and the summary, imports included"):
            import sample_grading

            from grading.papers import print_pdf, write, write_certificates, write_labels

            write_certificates(folder, sample_grading.sample())
        grading, lot = sample_grading.sample(), sample_grading.many(96)
        with timed("6 certificates and the summary again, libraries warm"):
            written = write_certificates(folder, grading)
        with timed("96 labels"):
            write_labels(folder, lot)
        print(f"{sum(path.stat().st_size for path in written) / 1000:.0f} kB for six cells")
    with timed("summary of 96 cells"):
        print_pdf.print_pdf(write.summary(lot))


if __name__ == "__main__":
    main()
