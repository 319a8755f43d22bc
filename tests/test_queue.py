"""A queue that somebody gives: what is left along it, and what a file must be."""

from __future__ import annotations

from pathlib import Path

import pytest

from bladewatch.errors import UsageError
from bladewatch.service import Service

AT = "2026-05-13 14:00"


def clean(text: str) -> str:
    """The text with plain spaces."""
    return text.replace("\u00a0", " ").replace("\u202f", " ")


def left(service: Service, queue: Path | None = None) -> dict[str, tuple[float, float]]:
    """Cuts and area left by saw."""
    found = {}
    for a in service.review(service.instant(AT), queue=queue).assessments:
        if a.remaining_cuts is not None and a.remaining_area_m2 is not None:
            found[a.saw] = a.remaining_cuts.estimate, a.remaining_area_m2.estimate
    return found


def test_copper_wears_a_blade_sooner_than_soft_aluminium(example: Path, tmp_path: Path) -> None:
    """The same saw before a long run of either: less area with copper, by about the ratio of their rates."""
    areas = {}
    with Service.open(example) as service:
        plain = left(service)
        for part in ("P-310", "P-110"):
            path = tmp_path / f"{part}.csv"
            path.write_text(f"saw,part,strokes\nS3,{part},20000\n", encoding="utf-8")
            told = left(service, path)
            areas[part] = told["S3"][1]
            said = {a.saw: a.reasons for a in service.review(service.instant(AT), queue=path).assessments}
            assert [saw for saw in said if any("the given queue" in text for text in said[saw])] == ["S3"]
            assert any("queue of 20 000 cuts: the blade may not last it" in clean(text) for text in said["S3"])
            assert {saw: one for saw, one in told.items() if saw != "S3"} == {
                saw: one for saw, one in plain.items() if saw != "S3"
            }
    assert 2.0 < areas["P-110"] / areas["P-310"] < 4.0
    assert areas["P-310"] < plain["S3"][1] < areas["P-110"]


def test_after_a_short_queue_come_jobs_like_those_that_were(example: Path, tmp_path: Path) -> None:
    """Ten cuts given change little."""
    path = tmp_path / "short.csv"
    path.write_text("saw;part;strokes\nS3;P-110;10\n", encoding="utf-8")
    with Service.open(example) as service:
        assert left(service, path)["S3"][0] == pytest.approx(left(service)["S3"][0], rel=0.15)
        (s3,) = [a for a in service.review(service.instant(AT), queue=path).assessments if a.saw == "S3"]
        assert "along the given queue of 10 cuts: the blade lasts it, 90 % sure" in s3.reasons


def test_every_mistake_of_a_file_is_told_at_once(example: Path, tmp_path: Path) -> None:
    """Line, what was found, what was expected."""
    path = tmp_path / "wrong.csv"
    path.write_text("saw,part,strokes\nS9,P-110,10\nS1,P-999,10\nS1,P-110,many\n", encoding="utf-8")
    with Service.open(example) as service, pytest.raises(UsageError) as error:
        left(service, path)
    lines = str(error.value).splitlines()
    assert len(lines) == 3
    assert "line 2: saw: found 'S9', expected one of S1, S2" in lines[0]
    assert "line 3: part: found 'P-999'" in lines[1]
    assert "line 4: strokes: found 'many'" in lines[2]
    path.write_text("saw,part,strokes\n" + "".join(f"S1,P-110,{s}\n" for s in ("²", "9" * 400, "0", "-3", "1e3")))
    with Service.open(example) as service, pytest.raises(UsageError) as error:
        left(service, path)
    assert str(error.value).count("expected a whole number from 1 to 9999999") == 5
    path.write_text("saw,part,strokes\n" + "S9,P-110,10\n" * 3000, encoding="utf-8")
    with Service.open(example) as service, pytest.raises(UsageError, match="and 2980 lines more"):
        left(service, path)
    path.write_text("saw,part,strokes\n,,\n", encoding="utf-8")
    with Service.open(example) as service, pytest.raises(UsageError, match="found no job"):
        left(service, path)
    path.write_text("part,strokes\n", encoding="utf-8")
    with Service.open(example) as service, pytest.raises(UsageError, match="expected the columns saw,part,strokes"):
        left(service, path)
