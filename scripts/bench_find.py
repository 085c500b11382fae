"""Measure how fast and how well people are found: an invented register with misspellings whose truth is known."""

from __future__ import annotations

import argparse
import json
import resource
import time
from functools import partial

import numpy as np
import pandas as pd
from rapidfuzz.distance import OSA
from rapidfuzz.process import cdist

from cemgis.find import Finder


def listed(text: str) -> list[str]:
    return text.split()


ONSETS = listed("b br c ch d dr f fr g gr h j k kl l m n p pr qu r s sch sh st t th tr v w z")
MIDDLES = listed("a ai au e ea ee ei i ie o oa ou u y")
CODAS = listed("b ck d f g h k l ll m n nd ng nn p r rd rn s ss st t th tt x z")
RESPELLINGS = (("ph", "f"), ("f", "ph"), ("ck", "k"), ("k", "ck"), ("y", "i"), ("ie", "y"), ("ei", "ie"), ("th", "t"),
               ("ll", "l"), ("nn", "n"), ("ss", "s"), ("tt", "t"), ("c", "k"), ("s", "z"), ("sch", "sh"), ("ea", "ee"),
               ("ou", "u"), ("ai", "a"))  # fmt: skip


def invented_names(rng: np.random.Generator, count: int, syllables: tuple[int, int]) -> list[str]:
    found: dict[str, None] = {}
    while len(found) < count:
        parts = int(rng.integers(syllables[0], syllables[1] + 1))
        name = "".join(str(rng.choice(ONSETS)) + str(rng.choice(MIDDLES)) for _ in range(parts)) + str(
            rng.choice(CODAS)
        )
        found[name.capitalize()] = None
    return list(found)


def zipf(rng: np.random.Generator, names: list[str], n: int, power: float) -> np.ndarray:
    """Draw names as unevenly as names are borne: the k-th with a share of k to the minus power (assumption)."""
    share = 1.0 / np.arange(1, len(names) + 1) ** power
    return rng.choice(np.array(names, dtype=object), n, p=share / share.sum())


def misspelt(rng: np.random.Generator, name: str, kind: str) -> str:
    low = name.lower()
    at = int(rng.integers(1, len(low)))
    letter = str(rng.choice(list("abcdefghijklmnopqrstuvwxyz")))
    if kind == "letter changed":
        return low[:at] + letter + low[at + 1 :]
    if kind == "letter left out":
        return low[:at] + low[at + 1 :]
    if kind == "letter too many":
        return low[:at] + letter + low[at:]
    if kind == "letters swapped":
        return low[: at - 1] + low[at] + low[at - 1] + low[at + 1 :]
    fits = [(old, new) for old, new in RESPELLINGS if old in low]
    if not fits:
        return low + "e"
    old, new = fits[int(rng.integers(len(fits)))]
    return low.replace(old, new, 1)


KINDS = ("letter changed", "letter left out", "letter too many", "letters swapped", "spelt by ear")


def register(n: int, seed: int) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    surnames = zipf(rng, invented_names(rng, max(50, min(40_000, n // 5)), (1, 3)), n, 0.8)
    given = zipf(rng, invented_names(rng, min(1_500, max(20, n // 10)), (1, 2)), n, 0.9)
    born = rng.integers(1780, 1960, n)
    died = born + rng.integers(0, 95, n)
    return pd.DataFrame(
        {
            "ground": "bench", "kind": "person", "id": [f"p{number}" for number in range(n)],
            "name": given + " " + surnames, "given": given, "surname": surnames, "born": born.astype(str),
            "died": died.astype(str), "section": rng.choice(list("ABCDEFGH"), n),
            "space_id": [f"A-{number // 4}-{number % 4}" for number in range(n)],
        }
    )  # fmt: skip


def timed(call, repeats: int = 1):
    start = time.perf_counter()
    for _ in range(repeats):
        result = call()
    return (time.perf_counter() - start) / repeats, result


def measure(n: int, asked: int, seed: int) -> dict[str, object]:
    table = register(n, seed)
    rng = np.random.default_rng(seed + 1)
    built, finder = timed(lambda: Finder(table))
    rows = rng.choice(n, asked, replace=False)
    questions = {"as written": lambda row: row["name"]}
    for kind in KINDS:
        questions[kind] = lambda row, kind=kind: f"{row['given']} {misspelt(rng, row['surname'], kind)}"
    questions["both words misspelt"] = lambda row: (
        f"{misspelt(rng, row['given'], 'letter changed')} {misspelt(rng, row['surname'], 'letter left out')}"
    )
    questions["surname misspelt, year within 2"] = lambda row: f"{misspelt(rng, row['surname'], 'letter changed')}"
    found: dict[str, object] = {}
    times: list[float] = []
    for kind, ask in questions.items():
        first = ten = listed = 0
        for row in (table.iloc[number] for number in rows):
            year = int(row["died"]) + int(rng.integers(-2, 3)) if "year" in kind else None
            text = ask(row)
            took, hits = timed(partial(finder.find, text, year=year, within=2 if year else 0, limit=50))
            times.append(took)
            # People of the very same name cannot be told apart by it: the name counts, with a year the person.
            said = [hit.id if year else hit.name for hit in hits]
            wanted = row["id"] if year else row["name"]
            first += said[:1] == [wanted]
            ten += wanted in said[:10]
            listed += wanted in said
        found[kind] = {"first": first / asked, "of the first 10": ten / asked, "of 50": listed / asked}
    short = [timed(partial(finder.find, str(word)[:2]))[0] for word in table["surname"].iloc[rows]]
    # The floor: the bare comparison of one word with every distinct word, and with every name, nothing else done.
    word = misspelt(rng, str(table["surname"].iloc[0]), "letter changed")
    bare, _ = timed(lambda: cdist([word], finder.vocabulary, scorer=OSA.distance, score_cutoff=2, dtype=np.uint8), 5)
    names = [text.lower() for text in table["name"]]
    naive, _ = timed(lambda: cdist([f"x {word}"], names, scorer=OSA.distance, score_cutoff=4, dtype=np.uint8), 3)
    return {
        "people": n, "distinct words": len(finder.vocabulary), "index built (s)": round(built, 2),
        "ms a question, median": round(1e3 * float(np.median(times)), 1),
        "ms, 95 of 100": round(1e3 * float(np.percentile(times, 95)), 1), "ms, worst": round(1e3 * max(times), 1),
        "ms, two letters typed, worst": round(1e3 * max(short), 1),
        "floor: one word against every distinct word (ms)": round(1e3 * bare, 1),
        "floor: one text against every name (ms)": round(1e3 * naive, 1),
        "memory, most (MB)": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024, "recall": found,
    }  # fmt: skip


if __name__ == "__main__":
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--people", type=int, nargs="+", default=[10_000, 100_000, 200_000], help="sizes of register")
    options.add_argument("--asked", type=int, default=200, help="questions of each kind")
    options.add_argument("--seed", type=int, default=1887, help="seed of the invented register")
    given = options.parse_args()
    print(json.dumps([measure(n, given.asked, given.seed) for n in given.people], indent=1))
