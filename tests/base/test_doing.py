"""What is being done: said to who watches, in words with a number, and to nobody else."""

from roomeq.base.doing import each, watched


def test_who_watches_hears_which_of_how_many():
    heard = []
    with watched(heard.append):
        assert list(each(["a.txt", "b.txt"], lambda name: f"reading {name}")) == ["a.txt", "b.txt"]
    assert heard == ["reading a.txt, 1 of 2", "reading b.txt, 2 of 2", ""]


def test_nobody_hears_where_nobody_watches():
    heard = []
    with watched(heard.append):
        pass
    assert list(each([1, 2], lambda _: 1 / 0)) == [1, 2]  # words are not even made
    assert heard == []
