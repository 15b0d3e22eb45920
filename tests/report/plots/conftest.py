"""What tests of pictures share."""

import pytest
from matplotlib import pyplot as plt

from roomeq.report.plots import pictures


@pytest.fixture
def unwritten(monkeypatch):
    """Draw all, but write empty files, where which there are is all that is asked.

    The names of pictures that are written all the same may be added.
    """
    written, write_picture = [], pictures.write_picture

    def write(drawn, path, **look):
        if path.stem in written:
            write_picture(drawn, path, **look)
        plt.close(drawn.figure)
        path.touch()

    monkeypatch.setattr(pictures, "write_picture", write)
    return written
