"""A sample of the spoilt inputs, and the judge held to what it has to notice (tests/mutations)."""

from __future__ import annotations

import zipfile

import pytest
from mutations.command import run_trials, summary
from mutations.judge import judge_answer, judge_files, judge_output
from mutations.trial import MARK

SEED = 2026


@pytest.mark.parametrize("first", [0, 75])
def test_a_sample_is_answered_as_it_should_be(first):
    verdicts = list(run_trials(range(first, first + 75), SEED, jobs=1))
    assert len(verdicts) == 75
    assert sum(verdict.codes[-1:] == [0] for verdict in verdicts) > 5
    assert sum(verdict.codes[-1:] == [3] for verdict in verdicts) > 20
    assert not [verdict for verdict in verdicts if verdict.breaches], summary(verdicts, 0.0)


@pytest.mark.parametrize(
    ("code", "out", "err", "word"),
    [
        (1, "", "Traceback (most recent call last):\n  ...\nKeyError: 'x'\n", "Traceback"),
        (1, "", "screening: it broke.\n", "exit code 1"),
        (3, "", "", "no sentence"),
        (3, "", "screening: one.\nand another\n", "more than one line"),
        (3, "", "ERROR 1: something\nscreening: one.\n", "noise before"),
        (3, "", "screening: \x1b[2J gone.\n", "control characters"),
        (3, "", "screening: " + "x" * 5000 + "\n", "a message of"),
        (3, "", "screening: <numpy.ndarray object at 0x7fffdeadbeef>.\n", "a programmer's words"),
        (0, "\x1b]0;x\x07", "", "control characters on stdout"),
        (0, "ok", "ERROR 1: something\n", "noise on stderr"),
    ],
)
def test_the_judge_notices_a_bad_answer(code, out, err, word):
    breaches = list(judge_answer(["run", "--no-progress"], code, 0, out, err))
    assert any(word in breach for breach in breaches), breaches
    assert not list(judge_answer(["run", "--no-progress"], 3, 0, "", "screening: a.gpkg can't be read; export it.\n"))


def test_the_judge_notices_files_where_none_belong():
    good = {"in/a.gpkg": "1"}
    assert not list(judge_files(good, {**good, "out/homes.gpkg": "2"}, ended_well=True, inputs_may_change=False))
    for after, well in (
        ({**good, "in/a.gpkg": "2"}, True),
        ({}, True),
        ({**good, "home/x": "2"}, True),
        ({**good, "out/homes.gpkg": "2"}, False),
        ({**good, "out/homes.gpkg-journal": "2"}, True),
        ({**good, "out/homes.gpkg.parts/lock": "2"}, True),
    ):
        assert list(judge_files(good, after, ended_well=well, inputs_may_change=False)), after


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("a.csv", f'home_id\n"=HYPERLINK({MARK})"\n'),
        ("a.csv", "home_id\n@SUM(1)\n"),
        ("a.html", f"<p>x</p><img src=x onerror={MARK}()>"),
        ("a.html", f"<script>let a = '</script><script>{MARK}()'</script>"),
        ("a.html", f'<script>const town = {{"a": "<!--{MARK}"}}</script>'),
        ("a.svg", f'<svg xmlns="http://www.w3.org/2000/svg"><script>{MARK}()</script></svg>'),
        ("a.svg", '<svg xmlns="http://www.w3.org/2000/svg" onload="x()"/>'),
        ("a.pdf", "%PDF-1.4 /JavaScript %%EOF"),
        ("a.gpkg", "no database"),
    ],
)
def test_the_judge_notices_what_came_to_life(tmp_path, name, text):
    path = tmp_path / name
    path.write_text(text)
    assert list(judge_output(path))


def test_the_judge_notices_a_formula_in_a_workbook(tmp_path):
    path = tmp_path / "a.xlsx"
    with zipfile.ZipFile(path, "w") as book:
        book.writestr("xl/worksheets/sheet1.xml", "<worksheet><c><f>1+1</f></c></worksheet>")
    assert list(judge_output(path))
    path.unlink()
    (tmp_path / "good.csv").write_text("home_id,volume\n'=x,-3.5\n")
    assert not list(judge_output(tmp_path / "good.csv"))
