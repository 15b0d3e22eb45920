"""What is printed when a sweep is written."""

import pytest

from roomeq.base.recording import ChainConditions, SweepDescription
from roomeq.cli.main import main
from roomeq.report.text.sweeps import sweep_text


def test_cautions_and_exposures_are_printed():
    text = sweep_text(SweepDescription(), files=["a.wav", "a.json"])
    for words in ("volume down", "bottoms audibly", "protective high-pass", "hearing protection"):
        assert words in text
    # NIOSH recommended exposure limit, 3 dB exchange rate
    rows = [line.split() for line in text.splitlines()]
    for level, time in [("85", "8 h"), ("91", "2 h"), ("94", "60 min"), ("100", "15 min")]:
        assert [level, *time.split()] in rows
    assert "--compression" in text


def test_what_an_early_stop_costs_is_said():
    # 10 to 500 Hz with L = 2.6 s: 500 exp(-0.5 / 2.6) = 413 Hz half a second before its end,
    # 500 exp(-1 / 2.6) = 340 Hz a second before it.
    text = " ".join(sweep_text(SweepDescription(), files=["a.wav"]).split())
    assert "Go on recording for 4 s after the last sweep" in text
    assert "above 413 Hz" in text
    assert "all above 340 Hz" in text


def test_what_was_answered_is_not_asked_again():
    answered = ChainConditions(
        dynamic_range_compression="off",
        upstream_correction="off",
        crossover="80 Hz",
        volume="-20",
        output="subwoofer",
        equaliser="bypassed",
    )
    text = sweep_text(SweepDescription(conditions=answered), files=["a.wav"])
    assert "Not answered" not in text


def test_existing_files_are_kept_unless_forced(tmp_path, capsys):
    target = tmp_path / "s.wav"
    words = ["sweep", str(target), "--rate", "8000", "--length", "4"]
    assert main(words) == 0
    before = target.read_bytes()
    assert main(words) == 2
    assert "--force" in capsys.readouterr().err
    assert target.read_bytes() == before
    assert main([*words, "--force"]) == 0
    assert sorted(path.name for path in tmp_path.iterdir()) == ["s.json", "s.wav"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["s.mp3"], "written as .wav"),
        (["s.wav", "--lead-in", "1"], "signal sensing"),
        (["s.wav", "--level", "3"], "level_dbfs"),
        (["s.wav", "--channel", "2"], "channel"),
    ],
)
def test_unusable_sweeps_are_refused(tmp_path, capsys, words, said):
    assert main(["sweep", str(tmp_path / words[0]), *words[1:]]) == 2
    assert said in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
