"""What is recorded at graves: every state, what was measured, remains moved; and what the next build makes of it."""

from __future__ import annotations

import datetime
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely
from pypdf import PdfReader

from cemgis import cli, pipeline
from cemgis.errors import InputError
from cemgis.files import records
from cemgis.opening import VERDICTS
from cemgis.pipeline.compute import compute
from cemgis.pipeline.opening_records import dug_from_records, settling_due
from cemgis.pipeline.opening_site import site_of
from cemgis.ties import dig_corners
from cemgis.units import feet_and_inches

ROOT = Path(__file__).parents[1]
WHO = {"who": "E. Tarn"}


@pytest.fixture(scope="module")
def first(tmp_path_factory):
    """Compute the demo ground once; its run holds no records."""
    folder = tmp_path_factory.mktemp("closing") / "hill"
    shutil.copytree(ROOT / "data" / "demo", folder)
    return compute(folder)


@pytest.fixture
def folder(first, tmp_path):
    """Return a folder for the records of one test; the run is as it was when it is over."""
    kept = dict(first.tables)
    yield tmp_path
    first.records.clear()
    first.tables.update(kept)


def close(first, folder, space="B-10-2", **more):
    """Record at a grave and let the run know of it, as the next build would."""
    given = {"state": "closed", "day": "2026-05-04"} | WHO | more
    written = pipeline.close_opening(folder, space, run=first, **given)
    first.records.append(written)
    return written


def move(first, folder, space, **more):
    written = pipeline.record_move(folder, space, run=first, **(WHO | more))
    first.records.append(written)
    return written


def lines(folder):
    path = folder / "records" / "openings.jsonl"
    return path.read_bytes() if path.exists() else b""


def layers(first):
    return dug_from_records(first.ground, first.records)


def shots_of(first, space, shift=0.3):
    """Corners of a concrete vault in a space, a little to the right of its middle; grid, as text."""
    site = site_of(first, space, machine=False)
    middle = shapely.get_coordinates(shapely.centroid(site.shape))[0]
    heads = site.heads_azimuth - site.convergence
    turn = np.radians(heads)
    true = dig_corners(middle + shift * np.array([np.cos(turn), -np.sin(turn)]), heads, 34 / 12, 7.5)
    return true, [f"{name}, {x:.3f}, {y:.3f}" for name, (x, y) in
                  zip(("head left", "head right", "foot right", "foot left"), true, strict=True)]  # fmt: skip


def test_each_state_follows_the_one_before_and_names_it(first, folder):
    waits = close(first, folder, state="waiting", day="2026-01-12", person="Hanh Aldanczyk", stored="receiving vault")
    assert "B-10-2/1: waiting 2026-01-12 in receiving vault; not closed" in pipeline.list_openings(
        first_with(first), datetime.date(2026, 2, 1)
    )
    opened = close(first, folder, state="opened", day="2026-05-03", stones=["M-B-10-1, moved"])
    assert opened["replaces"] == [waits["id"]]
    assert "stored" not in opened
    assert [item.kind for item in layers(first).findings] == ["opening not closed"]
    said = pipeline.list_openings(first_with(first), datetime.date(2026, 5, 4))
    assert "B-10-2/1: stone M-B-10-1 was moved and is not reset" in said
    true, shots = shots_of(first, "B-10-2")
    done = close(first, folder, shots=shots[:2], container="concrete vault", stones=["M-B-10-1, reset"], top="19 in")
    assert done["replaces"] == [opened["id"], waits["id"]]
    assert done["person"] == "Hanh Aldanczyk"
    assert np.allclose(shapely.get_coordinates(shapely.from_wkt(done["shape"]))[:4], true, rtol=0, atol=0.01)
    assert done["stones"] == ["M-B-10-1 reset"]
    assert not any("not reset" in line for line in pipeline.list_openings(first_with(first), datetime.date(2026, 5, 4)))
    settled = close(first, folder, state="settled", day="2026-07-20")
    assert settled["replaces"] == [done["id"], opened["id"], waits["id"]]
    found = layers(first)
    assert found.openings["state"].tolist() == ["settled"]
    assert found.rows["events"]["date"].tolist() == ["2026-05-04"]
    assert found.rows["vaults"]["vault_id"].tolist() == ["V B-10-2/1"]
    again = close(first, folder, state="opened", day="2026-08-01")
    assert again["opening_id"] == "B-10-2/2"
    assert "replaces" not in again
    assert len(records.read(folder / "records").records) == 5


def first_with(first):
    """Let the run's own layer say what the records say."""
    first.tables["openings"] = layers(first).openings
    return first


def test_what_was_felt_with_a_probe_makes_the_same_rectangle(first, folder):
    true, _ = shots_of(first, "B-10-2")
    middle = {"head": true[:2].mean(axis=0), "right": true[1:3].mean(axis=0), "foot": true[2:].mean(axis=0)}
    left = [0.8 * true[0] + 0.2 * true[3], 0.2 * true[0] + 0.8 * true[3]]
    probes = [f"{side}, {x:.3f}, {y:.3f}" for side, (x, y) in [*middle.items(), ("left", left[0]), ("left", left[1])]]
    done = close(first, folder, probes=probes, container="concrete vault")
    assert np.allclose(shapely.get_coordinates(shapely.from_wkt(done["shape"]))[:4], true, rtol=0, atol=0.01)
    # five sides felt to rule close.shot_sigma and probe.sigma, sqrt(0.05**2 + 0.1**2): no better than half of that
    assert 0.05 < done["sigma"] < 0.2


def test_the_list_says_when_to_look_for_settling_and_the_run_finds_it(first, folder):
    close(first, folder, container="concrete vault")
    found = layers(first).openings
    assert settling_due(found, 8.0, datetime.date(2026, 6, 28)) == []
    due = settling_due(found, 8.0, datetime.date(2026, 6, 29))  # 56 days
    assert [(item.kind, item.subject) for item in due] == [("settling due", "B-10-2/1")]
    assert any("LOOK FOR" in line for line in pipeline.list_openings(first_with(first), datetime.date(2026, 6, 29)))


def test_remains_found_make_a_probable_grave_and_stop_the_next_opening(first, folder):
    close(first, folder, state="opened")
    close(first, folder, state="abandoned", because="remains found", note="east end, 3 ft down")
    found = layers(first)
    grave = found.rows["probable_graves"].iloc[0]
    assert (grave["space_id"], grave["confidence"]) == ("B-10-2", "seen")
    assert shapely.contains(grave.geometry, shapely.centroid(site_of(first, "B-10-2", machine=False).shape))
    assert len(found.rows["events"]) == 0
    first_with(first)
    assert any("abandoned on 2026-05-04: remains found" in words for _, words in
               site_of(first, "B-10-2", machine=False).doubts)  # fmt: skip


def test_water_and_rock_add_no_grave_but_are_told(first, folder):
    close(first, folder, state="abandoned", because="rock")
    assert len(layers(first).rows["probable_graves"]) == 0
    first_with(first)
    assert (VERDICTS[1], "An opening here was abandoned on 2026-05-04: rock") in site_of(
        first, "B-10-2", machine=False
    ).doubts


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"state": "abandoned"}, "nobody said why"),
        ({"state": "opened", "because": "rock"}, "given for opened"),
        ({"state": "closed", "stored": "barn"}, "given for closed"),
        ({"state": "settled"}, "nothing was closed there"),
        ({"state": "ordered"}, "'ordered' is none"),
        ({"state": "closed"}, "nobody said what was set"),
        ({"container": "tin"}, "there is no container"),
        ({"container": "concrete vault", "top": "-1 ft"}, "negative"),
        ({"container": "concrete vault", "top": "12 ft"}, "deeper than any dig"),
        ({"container": "concrete vault", "day": "2026-13-01"}, "is no date"),
        ({"container": "concrete vault", "day": "2999-01-01"}, "has not come yet"),
        ({"container": "concrete vault", "stones": ["M-1"]}, "not two parts"),
        ({"container": "concrete vault", "stones": ["M-1, reset"]}, "no record says it was moved"),
        ({"container": "concrete vault", "shots": ["head left, 1, 2"]}, "from B-10-2"),
        ({"container": "concrete vault", "shots": ["head left, east, 2"]}, "no numbers"),
        ({"container": "concrete vault", "shots": ["roof, 1, 2"]}, "there is no roof"),
        ({"container": "concrete vault", "probes": ["head left, 1, 2"]}, "there is no head left"),
        ({"container": "concrete vault", "taped": ["B-74, head left, 62 ft"]}, "1 measurements"),
        ({"state": "opened", "container": "concrete vault", "taped": ["B-74, head left, 62 ft"]}, "given for opened"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_recorded(first, folder, given, said):
    with pytest.raises(InputError, match=said):
        close(first, folder, **given)
    assert lines(folder) == b""


def test_a_day_before_the_state_it_follows_is_refused(first, folder):
    close(first, folder, state="opened", day="2026-05-04")
    with pytest.raises(InputError, match="before 2026-05-04, when it was opened"):
        close(first, folder, container="concrete vault", day="2026-05-02")


def occupied(first, urn=False, several=False):
    """Return a space with one burial on record and a name."""
    events = first.tables["events"]
    kind = "urn placed" if urn else "interment"
    counts = events.dropna(subset=["space_id"]).groupby("space_id")["kind"].apply(list)
    names = first.tables["people"].set_index("person_id")["name"]
    for space, kinds in counts.items():
        if kinds == [kind]:
            row = events[events["space_id"] == space].iloc[0]
            if not np.any(first.tables["vaults"]["space_id"] == space) and isinstance(names.get(row.person_id), str):
                return space, str(names[row.person_id])
    raise AssertionError(kind)


def test_a_disinterment_empties_its_space(first, folder):
    space, name = occupied(first)
    with pytest.raises(InputError) as caught:
        move(first, folder, space, kind="disinterment", day="2026-05-05", person="Nobody Else")
    assert all(word in str(caught.value) for word in ("not on record there", "permit", "authorised_by"))
    assert lines(folder) == b""
    written = move(first, folder, space, kind="disinterment", day="2026-05-05", permit="D-7", authorised_by="the court")
    assert written["person"] == name
    rows = layers(first).rows["events"]
    assert rows[["kind", "space_id"]].to_numpy().tolist() == [["disinterment", space]]
    assert rows["person_id"].tolist() == [written["person_id"]]


def test_a_move_is_out_of_one_place_and_into_another_of_one_person(first, folder):
    space, _ = occupied(first)
    given = {"kind": "move", "day": "2026-05-05", "permit": "D-7", "authorised_by": "the holder"}
    with pytest.raises(InputError, match="nobody said where to"):
        move(first, folder, space, **given)
    with pytest.raises(InputError, match="is where it is"):
        move(first, folder, space, to=space, **given)
    with pytest.raises(InputError, match="lies there, the rule allows 1"):
        move(first, folder, space, to=next(s for s in taken_spaces(first) if s != space), **given)
    with pytest.raises(InputError, match="there is no space 'B-10-99'"):
        move(first, folder, space, to="B-10-99", **given)
    written = move(first, folder, space, to="B-10-2", **given)
    rows = layers(first).rows["events"]
    assert rows["kind"].tolist() == ["disinterment", "interment"]
    assert rows["space_id"].tolist() == [space, "B-10-2"]
    assert len(set(rows["person_id"])) == 1
    assert rows["event_id"].is_unique
    out = move(first, folder, "B-10-1", to="to Elm Grove in the next county", person="Ignacy Aldanczyk", **given)
    assert out["to_outside"] == "to Elm Grove in the next county"
    assert layers(first).rows["events"]["kind"].tolist()[2:] == ["disinterment"]
    assert "replaces" not in written


def taken_spaces(first):
    events = first.tables["events"]
    return events[events["kind"] == "interment"]["space_id"].dropna().unique()


def test_urns_go_in_and_out(first, folder):
    niche = str(first.tables["niches"]["space_id"].iloc[-1])
    put = move(first, folder, niche, kind="urn placed", day="2026-05-05", person="Ada Fenn", container="bronze")
    rows = layers(first).rows
    assert rows["events"][["kind", "space_id", "container"]].to_numpy().tolist() == [["urn placed", niche, "bronze"]]
    assert rows["people"]["name"].tolist() == ["Ada Fenn"]
    assert put["event"] == "urn placed"
    with pytest.raises(InputError, match="no urn is recorded"):
        move(first, folder, "B-10-2", kind="urn removed", day="2026-05-05")
    space, _ = occupied(first)
    with pytest.raises(InputError, match="given for urn"):
        move(first, folder, niche, kind="urn placed", day="2026-05-05", vault="left")
    assert space


def test_a_vault_that_was_taken_out_is_no_longer_there(first, folder):
    kept = {name: first.tables[name] for name in ("vaults", "events", "people")}
    space = "B-10-2"
    _, shots = shots_of(first, space)
    close(first, folder, shots=shots, container="concrete vault", person="Hanh Aldanczyk")
    found = layers(first)
    assert found.rows["vaults"]["space_id"].tolist() == [space]
    for name in ("vaults", "events", "people"):
        rows = found.rows[name]
        first.tables[name] = rows if name == "vaults" else pd.concat([first.tables[name], rows], ignore_index=True)
    given = {"kind": "disinterment", "day": "2026-06-01", "permit": "D-8", "authorised_by": "the court"}
    with pytest.raises(InputError, match="the vault there is on record"):
        move(first, folder, space, **given)
    move(first, folder, space, vault="taken", **given)
    after = layers(first)
    assert len(after.rows["vaults"]) == 0
    assert len(after.without_taken(found.rows["vaults"])) == 0
    first.tables.update(kept)


def test_records_of_another_reference_system_are_told_and_left_out(first, folder):
    close(first, folder, container="concrete vault")
    record = first.records[-1]
    for broken in ({"crs": "EPSG:26917"}, {"state": "lost"}, {"shape": "POLYGON(("}, {"space_id": ""}):
        found = dug_from_records(first.ground, [record | broken])
        assert [item.kind for item in found.findings] == ["record not usable"]
        assert len(found.openings) == 0


def test_everything_goes_through_the_command_line_and_the_next_build(tmp_path, capsys):
    folder = tmp_path / "hill"
    shutil.copytree(ROOT / "data" / "demo", folder)
    close_it = ["close", str(folder), "B-10-2", "--who", "E. Tarn", "--date", "2026-05-04"]
    assert cli.main([*close_it, "--state", "abandoned"]) == 2
    assert "remains found" in capsys.readouterr().err
    assert not (folder / "records").exists()
    assert cli.main([*close_it, "--state", "abandoned", "--because", "remains found"]) == 0
    assert "probable grave" in capsys.readouterr().out
    assert cli.main(["move", str(folder), "B-10-1", "--kind", "move", "--who", "E. Tarn", "--date", "2026-05-05",
                     "--to", "B-10-4", "--permit", "D-9", "--authorised-by", "the holder"]) == 0  # fmt: skip
    run = compute(folder)
    states = run.tables["spaces"].set_index("space_id")["state"]
    assert states["B-10-2"] == "probably occupied"
    assert states["B-10-1"] in ("disturbed, empty", "in doubt")
    assert states["B-10-4"] == "occupied"
    assert cli.main(["openings", str(folder)]) == 0
    assert "B-10-2/1: abandoned 2026-05-04; remains found" in capsys.readouterr().out


def test_a_foundation_is_set_out_set_and_inspected(first, folder):
    kept = first.tables["monuments"]
    given = {"run": first, "paper": "letter"}
    done = pipeline.set_out_foundation(folder, "B-10-2", authorised_by="Hanh Aldanczyk", **given)
    assert done.plan.verdict == VERDICTS[2]
    text = " ".join(PdfReader(done.made[0]).pages[0].extract_text().split())
    assert "3 ft by 1 ft 4 in" in text
    assert "board rules, 2014" in text
    assert all(feet_and_inches(value) in text for value in done.plan.ties.distances.ravel())
    assert len(PdfReader(done.made[0]).pages) == 1
    for wrong, said in (
        ({"state": "set"}, "nothing was set out"),
        ({"state": "poured"}, "is none"),
        ({"state": "set out"}, "no layout"),
    ):
        with pytest.raises(InputError, match=said):
            pipeline.record_foundation(folder, "B-10-2", run=first, **(WHO | wrong))
    assert lines(folder) == b""

    def record(state, day, **more):
        written = pipeline.record_foundation(folder, "B-10-2", state=state, day=day, **(WHO | {"run": first} | more))
        first.records.append(written)
        return written

    out = record("set out", "2026-05-04", done=done)
    assert len(layers(first).rows["monuments"]) == 0
    assert any("not yet set" in line for line in pipeline.list_openings(first_with(first), datetime.date(2026, 5, 5)))
    with pytest.raises(InputError, match="before 2026-05-04"):
        record("set", "2026-05-03")
    placed = record("set", "2026-06-01")
    failed = record("failed", "2026-06-09", note="leans")
    assert any("DID NOT PASS" in line for line in pipeline.list_openings(first_with(first), datetime.date(2026, 6, 9)))
    record("set", "2026-06-11")
    passed = record("passed", "2026-06-20")
    assert passed["replaces"][-2:] == [placed["id"], out["id"]]
    assert failed["id"] in passed["replaces"]
    found = layers(first).rows["monuments"]
    assert found[["monument_id", "kind", "space_id"]].to_numpy().tolist() == [["F B-10-2/1", "foundation", "B-10-2"]]
    # and every later plan sees it
    first.tables["monuments"] = pd.concat([kept, found], ignore_index=True)
    again = pipeline.set_out_foundation(folder, "B-10-2", size="2 ft by 1 ft", authorised_by="x", **given)
    assert any("stands there already" in reason.text for reason in again.plan.reasons)
    first.tables["monuments"] = kept


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"size": "large"}, "is no size"),
        ({"size": "3 ft by 0 ft"}, "no size of a foundation"),
        ({"size": "3 ft by 1 mile long"}, "size"),
        ({"beside": "B-10-4"}, "does not lie beside"),
        ({"beside": "B-10-2"}, "does not lie beside"),
    ],
)
def test_a_foundation_that_cannot_be_is_refused(first, folder, given, said):
    with pytest.raises(InputError, match=said):
        pipeline.set_out_foundation(folder, "B-10-2", run=first, **given)
    assert not (folder / "sheets").exists()
