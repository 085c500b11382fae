"""What is recorded at graves: every state, what was measured, remains moved; and what the next build makes of it."""

from __future__ import annotations

import datetime
import multiprocessing
import shutil
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely
from pypdf import PdfReader

from cemgis import cli, pipeline
from cemgis.errors import InputError
from cemgis.files import records
from cemgis.files.lock import hold
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
    """Record at a grave and let the run know of it, as the next build would; the first time without an order."""
    given = {"state": "closed", "day": "2026-05-04"} | WHO
    if not any(one.get("space_id") == space for one in first.records):
        given["without_order"] = "ordered by word of mouth"
    given |= more
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
    assert "B-10-2/1: waiting 12 January 2026 in receiving vault; not closed" in pipeline.list_openings(
        first_with(first), datetime.date(2026, 2, 1)
    )
    assert site_of(first, "B-10-2", machine=False).under_way == (
        ("The opening B-10-2/1 is waiting, 12 January 2026", "Hanh Aldanczyk"),
    )
    opened = close(first, folder, state="opened", day="2026-05-03", stones=["M-B-10-1, moved"])
    assert opened["replaces"] == [waits["id"]]
    assert "stored" not in opened
    assert [item.kind for item in layers(first).findings] == ["opening without order", "opening not closed"]
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
    with pytest.raises(
        InputError, match=r"since B-10-2/1 was settled.*If it belongs to B-10-2/1, say --state settled\."
    ):
        close(first, folder, state="opened", day="2026-08-01")
    # a stone is set again when the earth has come to rest
    later = close(first, folder, state="settled", day="2026-07-30", stones=["M-B-10-3, moved"])
    assert later["replaces"][0] == settled["id"]
    assert (later["opening_id"], later["buried"]) == ("B-10-2/1", "2026-05-04")
    close(first, folder, state="settled", day="2026-07-31", stones=["M-B-10-3, reset"])
    assert not any("not reset" in line for line in pipeline.list_openings(first_with(first), datetime.date(2026, 8, 4)))
    assert layers(first).rows["events"]["date"].tolist() == ["2026-05-04"]
    again = close(first, folder, state="opened", day="2026-08-01", without_order="the family came with the urn")
    assert again["opening_id"] == "B-10-2/2"
    assert "replaces" not in again
    assert len(records.read(folder / "records").records) == 7


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
    assert f"sure to {done['sigma']:.2f} ft (one standard deviation)" in pipeline.say_opening(done)


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
    assert any("abandoned on 4 May 2026: remains found" in words for _, words in
               site_of(first, "B-10-2", machine=False).doubts)  # fmt: skip


def test_water_and_rock_add_no_grave_but_are_told(first, folder):
    close(first, folder, state="abandoned", because="rock")
    assert len(layers(first).rows["probable_graves"]) == 0
    first_with(first)
    assert (VERDICTS[1], "An opening here was abandoned on 4 May 2026: rock") in site_of(
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
    with pytest.raises(InputError, match="2 May 2026 is before 4 May 2026, when it was opened"):
        close(first, folder, container="concrete vault", day="2026-05-02")


def test_who_waited_in_winter_storage_was_not_buried_on_the_day_of_the_service(first, folder):
    body = {"kind": "opening", "opening_id": "B-10-2/1", "space_id": "B-10-2", "section": "B", "state": "ordered",
            "service": "2026-01-12", "person": "Hanh Aldanczyk", "container": "concrete vault", "who": "E. Tarn",
            "when": "2026-01-08T08:00:00Z", "why": "ordered", "crs": first.ground.crs.name}  # fmt: skip
    first.records += records.append(folder / "records", "openings", [body])
    close(first, folder, state="waiting", day="2026-01-12", stored="receiving vault", without_order=None)
    with pytest.raises(InputError, match="nobody said which day it was closed"):
        close(first, folder, day=None, without_order=None)
    close(first, folder, state="opened", day="2026-04-20", without_order=None)
    with pytest.raises(InputError, match="the service was ordered for 12 January 2026, which cannot be the day"):
        close(first, folder, day=None, without_order=None)
    assert close(first, folder, day="2026-04-21", without_order=None)["buried"] == "2026-04-21"


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
    close_it = ["close", str(folder), "B-10-2", "--who", "E. Tarn", "--date", "2026-05-04",
                "--without-order", "the board's own dig"]  # fmt: skip
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
    assert "B-10-2/1: abandoned 4 May 2026; remains found" in capsys.readouterr().out


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
    with pytest.raises(InputError, match="before 4 May 2026"):
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


# ---- days, orders, two clerks ---------------------------------------------------------------------------------------


def ordered(first, space="B-10-2", number=1, **more):
    """Let the run know of an order, as `order_opening` records it."""
    site = site_of(first, space, machine=False)
    plan = shapely.get_coordinates(site.shape)[:4].tolist()
    record = {
        "kind": "opening", "opening_id": f"{space}/{number}", "space_id": space, "section": site.section,
        "state": "ordered", "person": "Hanh Aldanczyk", "service": "2026-05-04", "container": "concrete vault",
        "plan": plan, "crs": first.ground.crs.name, "id": f"order {space} {number}", "who": "the office",
        "when": f"2026-05-0{number}T15:00:00Z", "why": "ordered",
    } | more  # fmt: skip
    first.records.append(record)
    return record


def test_the_day_of_a_burial_is_never_that_of_the_typing(first, folder):
    ordered(first)
    opened = {"state": "opened", "day": None}
    with pytest.raises(InputError, match="nobody said which day it was opened"):
        close(first, folder, **opened)
    done = close(first, folder, day=None)
    assert (done["buried"], done["date"], done["dated_by"]) == ("2026-05-04", "2026-05-04", "service as ordered")
    assert "nobody gave the day of the burial" in pipeline.say_opening(done)
    events = layers(first).rows["events"]
    assert events[["date", "date_written"]].to_numpy().tolist() == [["2026-05-04", "service as ordered"]]
    with pytest.raises(InputError, match="nobody said which day it was closed"):
        close(first, folder, "B-10-4", day=None, container="concrete vault")
    with pytest.raises(InputError, match="nobody said which day it was settled"):
        close(first, folder, state="settled", day=None)
    # an older record without a day keeps an event without one
    old = {name: value for name, value in done.items() if name not in ("date", "buried", "dated_by")}
    assert dug_from_records(first.ground, [old]).rows["events"]["date"].isna().all()


def test_an_order_whose_service_is_past_says_so_in_the_list(first, folder):
    ordered(first)
    said = {day: pipeline.list_openings(first_with(first), datetime.date(2026, 5, day)) for day in (4, 5)}
    assert said[4] == ["B-10-2/1: ordered 1 May 2026; not closed; service 4 May 2026"]
    assert said[5] == ["B-10-2/1: ordered 1 May 2026; not closed; service 4 May 2026, WHICH IS PAST"]


def test_a_service_that_cannot_be_the_day_asks_for_one(first, folder):
    ordered(first, service="2999-05-04")
    with pytest.raises(InputError, match="the service was ordered for 4 May 2999, which cannot be the day"):
        close(first, folder, day=None)
    assert lines(folder) == b""


def test_a_day_may_be_today_or_not_known_to_the_day(first, folder):
    ordered(first)
    done = close(first, folder, day="2026-05~")
    assert done["buried"] == "2026-05~"
    found = layers(first)
    assert found.rows["events"]["date"].tolist() == ["2026-05~"]
    assert found.openings["date"].tolist() == ["2026-05~"]
    due = settling_due(found.openings, 8.0, datetime.date(2026, 7, 25))
    assert due == []  # 8 weeks after the last day of May are 26 July
    assert len(settling_due(found.openings, 8.0, datetime.date(2026, 7, 26))) == 1
    assert any(line.startswith("B-10-2/1: closed about May 2026;") for line in
               pipeline.list_openings(first_with(first), datetime.date(2026, 7, 26)))  # fmt: skip
    out = move(first, folder, "B-10-1", kind="disinterment", day="today", permit="D-7", authorised_by="the court")
    assert out["date"] == datetime.datetime.now().astimezone().date().isoformat()
    for wrong in ("spring", "..", "2026-02-30", "2999-01"):
        with pytest.raises(InputError, match=r"is no date|has not come yet"):
            move(first, folder, "B-10-1", kind="urn placed", day=wrong)


def test_only_a_foundation_laid_out_now_needs_no_day(first, folder):
    done = pipeline.set_out_foundation(folder, "B-10-2", authorised_by="x", run=first, paper="letter")
    out = pipeline.record_foundation(folder, "B-10-2", state="set out", done=done, **WHO)
    first.records.append(out)
    assert out["date"] == datetime.datetime.now().astimezone().date().isoformat()
    for state, word in (("set", "set"), ("passed", "inspected")):
        with pytest.raises(InputError, match=f"nobody said which day it was {word}"):
            pipeline.record_foundation(folder, "B-10-2", state=state, run=first, **WHO)
    with pytest.raises(InputError, match=r"the foundation F B-10-2/1 is set out"):
        pipeline.record_foundation(folder, "B-10-2", state="set out", done=done, **WHO)


def test_what_nobody_ordered_is_refused_or_says_why_and_stays_a_finding(first, folder):
    ordered(first)
    with pytest.raises(InputError) as caught:
        close(first, folder, "B-10-4", person="Hanh Aldanczyk", container="concrete vault", without_order=None)
    said = str(caught.value)
    assert "nothing was ordered there" in said
    assert "Under way are B-10-2/1 (Hanh Aldanczyk)" in said
    assert "--without-order" in said
    assert lines(folder) == b""
    with pytest.raises(InputError, match="no reason is given"):
        close(first, folder, "B-10-4", container="concrete vault", without_order=" ")
    done = close(first, folder, "B-10-4", container="concrete vault", without_order="dug here by mistake")
    assert "There is no order" in pipeline.say_opening(done)
    found = [item for item in layers(first).findings if item.kind == "opening without order"]
    assert [(item.subject, item.severity) for item in found] == [("B-10-4/1", "warning")]
    assert "dug here by mistake" in found[0].reason
    settled = close(first, folder, "B-10-4", state="settled", day="2026-07-20")
    assert [item.kind for item in layers(first).findings] == ["opening without order"]
    assert settled["without_order"] == "dug here by mistake"
    # what older records say without a word about it
    bare = {name: value for name, value in done.items() if name != "without_order"}
    assert "nobody says why" in dug_from_records(first.ground, [bare]).findings[0].reason
    with pytest.raises(InputError, match="given, but B-10-2/1 is ordered"):
        close(first, folder, without_order="forgot")
    with pytest.raises(InputError, match="given for settled"):
        close(first, folder, "B-10-4", state="settled", without_order="forgot")
    assert [item.kind for item in layers(first).findings] == ["opening without order"]


def test_another_person_than_ordered_is_told_and_stays(first, folder):
    ordered(first)
    ordered(first, "B-10-4")
    assert "ordered_for" not in close(first, folder, "B-10-4", person="hanh  aldanczyk")
    done = close(first, folder, person="Hanh Aldansky")
    assert "ordered for Hanh Aldanczyk, not Hanh Aldansky" in pipeline.say_opening(done)
    (found,) = layers(first).findings
    assert (found.kind, found.reason) == ("not as ordered", "ordered for Hanh Aldanczyk, recorded for Hanh Aldansky")


def test_closing_twice_never_puts_one_burial_in_place_of_another(first, folder):
    order = ordered(first)
    done = close(first, folder)
    for more in ({"person": "Ada Fenn"}, {"day": "2026-06-01"}, {"container": "urn vault"}):
        with pytest.raises(InputError, match="B-10-2/1 was closed with"):
            close(first, folder, **({"day": None} | more))
    # what was measured the day after completes it
    _, shots = shots_of(first, "B-10-2")
    more = close(first, folder, day=None, shots=shots[:2], note="shot when the sod was back")
    assert more["buried"] == "2026-05-04"
    assert more["replaces"] == [done["id"], order["id"]]
    assert layers(first).rows["events"]["date"].tolist() == ["2026-05-04"]
    # a second burial: ordered, or told why it was not
    second = close(first, folder, day="2026-06-01", person="Ada Fenn", container="urn vault", without_order="an urn")
    assert second["opening_id"] == "B-10-2/2"
    assert "replaces" not in second
    rows = layers(first).rows
    assert rows["events"]["kind"].tolist() == ["interment", "urn placed"]
    assert rows["people"]["name"].tolist() == ["Hanh Aldanczyk", "Ada Fenn"]


def test_settling_the_first_does_not_wait_for_the_second(first, folder):
    order = ordered(first)
    done = close(first, folder)
    ordered(first, number=2, person="Ada Fenn", service="2026-07-04")
    settled = close(first, folder, state="settled", day="2026-07-01")
    assert (settled["opening_id"], settled["replaces"]) == ("B-10-2/1", [done["id"], order["id"]])
    second = close(first, folder, day=None)
    assert (second["opening_id"], second["person"], second["buried"]) == ("B-10-2/2", "Ada Fenn", "2026-07-04")
    assert layers(first).openings["state"].tolist() == ["settled", "closed"]


def test_after_a_withdrawn_or_abandoned_order_nothing_is_ordered(first, folder):
    order = ordered(first)
    first.records.append(
        {"id": "w", "kind": "withdraw", "replaces": [order["id"]], "who": "A. Roe", "why": "they chose another",
         "when": "2026-05-02T09:00:00Z"}
    )  # fmt: skip
    with pytest.raises(InputError, match=r"A\. Roe withdrew B-10-2/1 on 2 May 2026, because they chose another"):
        close(first, folder, without_order=None)
    first.records.clear()
    ordered(first)
    close(first, folder, state="abandoned", because="rock")
    with pytest.raises(InputError, match="since B-10-2/1 was abandoned"):
        close(first, folder)
    with pytest.raises(InputError, match="since B-10-2/1 was abandoned"):
        close(first, folder, state="abandoned", because="rock")
    close(first, folder, container="concrete vault", without_order="dug beside the rock")
    with pytest.raises(InputError, match="Withdraw that record, "):
        close(first, folder, state="abandoned", because="rock")


def _record_at_once(first, folder, ready, told):
    ready.wait()
    try:
        close(first, folder, state="opened", without_order="two clerks")
        told.put("recorded")
    except InputError as error:
        told.put(str(error))


@pytest.mark.skipif("fork" not in multiprocessing.get_all_start_methods(), reason="the run is handed on by forking")
def test_two_clerks_do_not_record_one_grave_twice(first, folder):
    site_of(first, "B-10-2", machine=False)
    (folder / "records").mkdir()
    fork = multiprocessing.get_context("fork")
    ready, told = fork.Barrier(3), fork.Queue()
    clerks = [fork.Process(target=_record_at_once, args=(first, folder, ready, told)) for _ in range(2)]
    with hold(folder / "records" / "writer.lock"):  # both have looked before either writes
        for clerk in clerks:
            clerk.start()
        ready.wait()
        time.sleep(1.5)
    said = [told.get(timeout=20) for _ in clerks]
    for clerk in clerks:
        clerk.join()
    assert sum(one == "recorded" for one in said) == 1
    assert sum("recorded something about it meanwhile" in one for one in said) == 1
    assert len(records.read(folder / "records").records) == 1


def test_what_was_recorded_meanwhile_elsewhere_or_withdrawn_counts_too(first, folder):
    written = close(first, folder, state="opened")
    stale = list(first.records)
    records.append(
        folder / "records", "edits",
        [{"kind": "withdraw", "replaces": [written["id"]], "who": "A. Roe", "why": "x", "when": "2026-05-05T09:00Z"}],
    )  # fmt: skip
    with pytest.raises(InputError, match=r"A\. Roe recorded something about it meanwhile"):
        close(first, folder, container="concrete vault")
    assert first.records == stale
    close(first, folder, "B-10-4", state="opened")  # another space is no matter


def test_measurements_that_cannot_be_are_each_told(first, folder):
    _, shots = shots_of(first, "B-10-2")
    for given, said in (
        ({"taped": ["B-74 head left 62 ft"]}, "not three parts"),
        ({"taped": ["B-999, head left, 62 ft"]}, "no trusted marker B-999 within a tape"),
        ({"taped": ["B-74, roof, 62 ft"]}, "there is no corner roof"),
        ({"shots": ["head left, 1"]}, "not three or four parts"),
        ({"shots": ["head left, 1, 2"]}, "Write easting, northing in"),
        ({"container": None, "shots": shots[:2]}, "of no container"),
    ):
        with pytest.raises(InputError, match=said):
            close(first, folder, **({"container": "concrete vault"} | given))
    # corners of the space next door, a vault's width on
    beside = [f"{name}, {x:.3f}, {y:.3f}" for name, (x, y) in
              zip(("head left", "head right"), shots_of(first, "B-10-2", shift=4.6)[0][:2], strict=True)]  # fmt: skip
    with pytest.raises(InputError, match=r"its middle would lie .* outside of B-10-2"):
        close(first, folder, container="concrete vault", shots=beside)
    assert lines(folder) == b""


def test_moves_that_cannot_be_are_each_told(first, folder):
    with pytest.raises(InputError, match="a disinterment needs one"):
        move(first, folder, "B-10-1", kind="disinterment", day="2026-05-05")
    with pytest.raises(InputError, match="no burial is recorded there"):
        move(first, folder, "B-10-2", kind="disinterment", day="2026-05-05")
    full, _ = occupied(first)
    more = {"kind": "move", "day": "2026-05-05", "permit": "D-9", "authorised_by": "the holder"}
    with pytest.raises(InputError, match="Name a place with room"):
        move(first, folder, "B-10-1", to=full, **more)
    kept = first.tables["events"]
    row = kept[kept["space_id"] == "B-10-1"]
    first.tables["events"] = pd.concat([kept, row.assign(event_id="another")], ignore_index=True)
    with pytest.raises(InputError, match=r"2 lie there \("):
        move(first, folder, "B-10-1", to="B-10-4", **more)
    assert lines(folder) == b""


def test_what_two_machines_recorded_at_one_grave_is_not_lost_and_does_not_stop_a_build(first, folder):
    order = ordered(first)
    one = order | {"id": "aaaa", "state": "closed", "date": "2026-05-04", "buried": "2026-05-04", "who": "A. Roe",
                   "replaces": [order["id"]]}  # fmt: skip
    two = one | {"id": "bbbb", "person": "Ada Fenn", "who": "E. Tarn"}
    found = dug_from_records(first.ground, [order, one, two])
    assert found.openings["opening_id"].tolist() == ["B-10-2/1", "B-10-2/1, record bbbb"]
    assert found.rows["people"]["name"].tolist() == ["Hanh Aldanczyk", "Ada Fenn"]
    assert not found.rows["events"]["event_id"].duplicated().any()
    (said,) = [item for item in found.findings if item.kind == "record to look at again"]
    assert said.subject == "B-10-2/1"
    assert "closed, by A. Roe (record aaaa) and closed, by E. Tarn (record bbbb)" in said.reason
    back = {"id": "w", "kind": "withdraw", "replaces": ["bbbb"], "who": "A. Roe", "why": "one grave"}
    found = dug_from_records(first.ground, [order, one, two, back])
    assert found.openings["opening_id"].tolist() == ["B-10-2/1"]
