"""Niches: planned from an order on a sheet that is read before one is opened, recorded when the front is back."""

from __future__ import annotations

import datetime
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from pypdf import PdfReader

from cemgis import cli, pipeline, sheets
from cemgis.errors import InputError
from cemgis.findings import find
from cemgis.ground import Container
from cemgis.niche import Niche, plan_niche
from cemgis.opening import VERDICTS, Order
from cemgis.pipeline.compute import compute
from cemgis.pipeline.niches import niche_of
from cemgis.rules import Rules
from cemgis.units import FOOT

ROOT = Path(__file__).parents[1]
RULES = Rules(FOOT)
URN = Container("container[1]", "bronze urn", "urn", 9 / 12, 8 / 12, 11 / 12)
ORDER = Order("E-N-east-3-4", "Ada Fenn", "Ferris", "Ada Fenn", "deed 4/39", "P-1", "E. Tarn", "2026-05-04", "10:30")
NICHE = Niche(
    "E-N-east-3-4", "E", "N", "east", 3, 4, 5, 12, (1.0, 1.0, 14 / 12), "vacant", "", 0, "",
    (("Ada Fenn", "deed 4/39"),), (), (), None, {(2, 4): "Wilhelm Wendoughty 2022", (3, 4): ""},
)  # fmt: skip
TOML = """space = "{space}"
person = "Ada Fenn"
ordered_by = "Ferris"
authorised_by = "Ada Fenn"
permit = "P-1"
confirmed_by = "E. Tarn"
container = "{container}"
date = 2026-05-04
"""


def planned(niche=NICHE, order=ORDER, container=URN):
    return plan_niche(niche, order, container, rules=RULES, unit=FOOT)


def test_nothing_against_a_niche_needs_no_utility_ticket():
    made = planned()
    assert (made.verdict, made.reasons, made.place_words) == (VERDICTS[2], (), "urn 1 of 2")
    assert NICHE.place == "N, east face: row 3 of 5 from the bottom, column 4 of 12 from the left"
    assert NICHE.beside == {"left": (3, 3), "right": (3, 5), "above": (4, 4), "below": (2, 4)}
    assert replace(NICHE, row=5, column=1).beside == {"left": None, "right": (5, 2), "above": None, "below": (4, 1)}


@pytest.mark.parametrize(
    ("niche", "order", "container", "verdict", "said"),
    [
        ({}, {}, {"kind": "vault"}, 0, "A niche takes an urn; bronze urn is none"),
        ({}, {}, {"height": 13 / 12}, 0, "is larger than the niche (1 ft wide, 1 ft 2 in deep, 1 ft high)"),
        ({}, {}, {"length": 14 / 12, "width": 1.0}, 2, ""),  # turned, it goes in
        ({}, {}, {"length": 13 / 12, "width": 13 / 12}, 0, "is larger than the niche"),
        ({"urns": 2}, {}, {}, 0, "2 urns lie there, the rule allows 2"),
        ({"urns": 1}, {}, {}, 1, "1 lies in it already: see that there is room beside it"),
        ({"size": (None, 1.0, 1.0)}, {}, {}, 1, "How large its niches are inside is not written"),
        ({"fronts": {}}, {}, {}, 1, "No name is on record in it or beside it"),
        ({"protected": "historic"}, {}, {}, 1, "The section is protected: historic"),
        ({"held": ()}, {}, {}, 1, "No right of interment is recorded"),
        ({"doubts": ((VERDICTS[1], "Once abandoned"),)}, {}, {}, 1, "Once abandoned"),
        (
            {"under_way": (("The opening 1 is opened", "Bo"),)},
            {},
            {},
            1,
            "The opening 1 is opened, for Bo: it is to be",
        ),
        (
            {},
            {"space": "E-N-east-4-3"},
            {},
            0,
            "The order names the space E-N-east-4-3, this sheet is for E-N-east-3-4",
        ),
        ({}, {"permit": None}, {}, 1, "The order does not say the permit's number"),
    ],
)
def test_what_speaks_against_a_niche(niche, order, container, verdict, said):
    made = planned(replace(NICHE, **niche), replace(ORDER, **order), replace(URN, **container))
    told = " | ".join(reason.text for reason in made.reasons)
    assert made.verdict == VERDICTS[verdict], told
    assert said in told
    assert len(made.reasons) == (verdict < 2)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Copy the demo ground with niches whose size is written, and an urn that goes in."""
    folder = tmp_path_factory.mktemp("niches") / "hill"
    shutil.copytree(ROOT / "data" / "demo", folder)
    text = (folder / "ground.toml").read_text(encoding="utf-8")
    text = text.replace("columns = 12\n", 'columns = 12\nwidth = "12 in"\nheight = "12 in"\ndepth = "14 in"\n')
    text += '\n[[container]]\nname = "bronze urn"\nkind = "urn"\nlength = "9 in"\nwidth = "9 in"\nheight = "11 in"\n'
    (folder / "ground.toml").write_text(text, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def run(folder):
    return compute(folder)


def ordered(folder, run, space="E-N-east-3-4", container="bronze urn", **more):
    path = folder / "order.toml"
    path.write_text(TOML.format(space=space, container=container), encoding="utf-8")
    return pipeline.open_grave(folder, space, order=path, run=run, day="2026-05-04", **more)


def test_the_sheet_says_which_niche_and_what_to_read_around_it(folder, run, tmp_path):
    made = ordered(folder, run, out=tmp_path)
    assert [path.name for path in made.made] == ["niche-letter.pdf", "niche-a4.pdf"]
    for path in made.made:
        (page,) = PdfReader(path).pages
        said = " ".join(page.extract_text().split())
        for words in ("E-N-east-3-4", "Ada Fenn", "4 May 2026", "SETTLE FIRST", "No right of interment",
                      "row 3 of 5 from the bottom, column 4 of 12 from the left",
                      "below 2-4 Wilhelm Wendoughty 2022", "1 ft 2 in deep"):  # fmt: skip
            assert words in said, (words, said)
        assert "PROBE" not in said
    assert "below: Wilhelm Wendoughty 2022" in made.words()
    assert made.summary()["verdict"] == VERDICTS[1]
    never = ordered(folder, run, container="concrete vault", out=tmp_path, paper="letter")
    said = " ".join(PdfReader(never.made[0]).pages[0].extract_text().split())
    assert "DO NOT OPEN" in said
    assert "read on the front" not in said  # it gives nobody the means
    with pytest.raises(InputError, match="there is no sheet"):
        sheets.niche_sheet(made.plan, None, "A0")


def test_what_is_known_of_a_niche_is_gathered(run):
    niche = niche_of(run, "E-N-east-1-1")
    assert (niche.row, niche.column, niche.rows, niche.columns, niche.urns) == (1, 1, 5, 12, 1)
    assert niche.who == "Ramon Kessberry 2013"
    assert niche.size == pytest.approx((1.0, 1.0, 14 / 12))
    run.findings.append(find("opening without order", "E-N-east-1-1", "x"))
    danger = find("corner contradicted", "E-N-east-1-1", "somebody saw it")
    run.findings.append(danger)
    try:
        assert niche_of(run, "E-N-east-1-1").doubts == (
            (VERDICTS[1], "Corner contradicted, E-N-east-1-1: somebody saw it"),
        )
    finally:
        del run.findings[-2:]


def test_a_niche_is_ordered_opened_and_closed_and_never_settles(folder, run):
    with pytest.raises(InputError, match="nothing was ordered there"):
        pipeline.close_opening(folder, "E-N-east-3-4", state="opened", who="E. Tarn", day="2026-05-04", run=run)
    run.records.append(pipeline.order_opening(folder, ordered(folder, run), who="E. Tarn"))
    with pytest.raises(InputError, match="the opening E-N-east-3-4/1 is ordered"):
        pipeline.order_opening(folder, ordered(folder, run), who="E. Tarn")
    kept = (folder / "records" / "openings.jsonl").read_bytes()
    given = {"who": "E. Tarn", "day": "2026-05-04", "run": run}
    for more, said in (
        ({"state": "closed", "top": "1 ft"}, "top: given for a niche. Nothing is dug there"),
        ({"state": "closed", "container": "concrete vault"}, "concrete vault is no urn. A niche takes an urn"),
        ({"state": "closed", "shots": ["head left, 1, 2"]}, "measured: given for a niche"),
        ({"state": "abandoned", "because": "water"}, "water is no reason at a niche"),
        ({"state": "settled"}, "a niche does not settle. It is done when it is closed."),
    ):
        with pytest.raises(InputError) as caught:
            pipeline.close_opening(folder, "E-N-east-3-4", **(given | more))
        assert said in str(caught.value)
    assert (folder / "records" / "openings.jsonl").read_bytes() == kept
    run.records.append(pipeline.close_opening(folder, "E-N-east-3-4", state="opened", **given))
    done = pipeline.close_opening(folder, "E-N-east-3-4", state="closed", **given)
    assert "N, east face: row 3 of 5 from the bottom" in pipeline.say_opening(done)
    assert "measured" not in pipeline.say_opening(done)

    after = compute(folder)
    niches = after.tables["niches"].set_index("space_id")
    assert (niches.loc["E-N-east-3-4", "state"], niches.loc["E-N-east-3-4", "burials"]) == ("occupied", 1)
    assert niche_of(after, "E-N-east-3-4").who == "Ada Fenn 2026"
    assert pipeline.list_openings(after, datetime.date(2027, 5, 4)) == [
        "E-N-east-3-4/1: closed 4 May 2026; a niche, done"
    ]
    kinds = {item.kind for item in after.findings}
    assert not {"settling due", "opening without order", "opening not closed"} & kinds
    # two are the most; the third is refused, and what nobody ordered says why
    second = {"who": "E. Tarn", "day": "2026-05-05", "state": "closed", "container": "bronze urn", "person": "Bo Fenn"}
    pipeline.close_opening(folder, "E-N-east-3-4", without_order="by word", run=after, **second)
    full = compute(folder)
    assert any(item.kind == "opening without order" for item in full.findings)
    with pytest.raises(InputError, match=r"2 urns lie there, the rule allows 2\. Name a place with room"):
        pipeline.close_opening(folder, "E-N-east-3-4", without_order="by word", run=full, **second | {"person": "Cy"})
    assert ordered(folder, full).plan.verdict == VERDICTS[0]


def test_a_niche_goes_through_the_command_line(folder, capsys):
    assert cli.main(["open", str(folder), "E-N-east-9-9", "--order", str(folder / "order.toml")]) == 2
    assert "there is no space 'E-N-east-9-9'. Did you mean E-N-EAST-" in capsys.readouterr().err
    assert cli.main(["foundation", str(folder), "E-N-east-3-5"]) == 2
    assert "E-N-east-3-5 is a niche. There is nothing to dig." in capsys.readouterr().err
