"""Every way in which an input is refused has a test that quotes its words; those that have none yet are listed."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "cemgis"
NOT_YET = ROOT / "tests" / "data" / "words_without_a_test.txt"
"""Refusals from before this test that none quotes yet: the list may only get shorter."""

LEAST = 9  # letters in common that tell one message from another

# ---- what is refused, and with which words ---------------------------------------------------------------------------


@dataclass(frozen=True)
class Site:
    """A place in the package that says what is wrong: where it is, and the fixed parts of its words."""

    where: str
    parts: tuple[str, ...]
    line: int = 0

    @property
    def name(self) -> str:
        """What names it whatever its line: module, function, words."""
        return f"{self.where}: {' ... '.join(self.parts)}"


def fixed(node: ast.AST | None, known: dict[str, list[ast.AST]], deep: int = 3) -> Iterator[str]:
    """Yield the fixed parts of a text: of a literal, an f-string, a choice, or a name that was given one of these."""
    if node is None or deep < 0:
        return
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    elif isinstance(node, ast.JoinedStr):
        for part in node.values:
            if isinstance(part, ast.Constant):
                yield str(part.value)
            elif isinstance(part, ast.FormattedValue):
                yield from fixed(part.value, known, deep - 1)
    elif isinstance(node, ast.Name):
        for given in known.get(node.id, ()):
            yield from fixed(given, known, deep - 1)
    elif isinstance(node, ast.IfExp):
        yield from fixed(node.body, known, deep)
        yield from fixed(node.orelse, known, deep)
    elif isinstance(node, ast.BinOp):
        yield from fixed(node.left, known, deep)
        yield from fixed(node.right, known, deep)
    elif isinstance(node, ast.Tuple):
        for part in node.elts:
            yield from fixed(part, known, deep)


def called(node: ast.Call) -> str:
    return node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")


def assigned(function: ast.FunctionDef) -> dict[str, list[ast.AST]]:
    """Return what each name in a function is given, also where several are given at once."""
    known: dict[str, list[ast.AST]] = {}
    for node in ast.walk(function):
        pairs: list[tuple[ast.AST, ast.AST]] = []
        if isinstance(node, ast.Assign):
            for target in node.targets:
                values = [node.value.body, node.value.orelse] if isinstance(node.value, ast.IfExp) else [node.value]
                for value in values:
                    if isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple):
                        pairs += zip(target.elts, value.elts, strict=False)
                    else:
                        pairs.append((target, value))
        elif isinstance(node, ast.AugAssign):
            pairs.append((node.target, node.value))
        for target, value in pairs:
            if isinstance(target, ast.Name):
                known.setdefault(target.id, []).append(value)
    return known


def sites(path: Path) -> Iterator[Site]:
    """Yield every problem that a module can name."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    functions = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]
    inner = {
        id(sub) for one in functions for sub in ast.walk(one) if sub is not one and isinstance(sub, ast.FunctionDef)
    }
    for function in [one for one in functions if id(one) not in inner]:
        known = assigned(function)
        for node in ast.walk(function):
            if not isinstance(node, ast.Call) or len(node.args) < 2:
                continue
            name = called(node)
            owner = getattr(getattr(node.func, "value", None), "id", "")
            problem = name in ("Problem", "wrong") or (name == "of" and owner == "InputError")
            if name == "add" and len(node.args) == 3 and path.name not in ("cli.py", "disclosure.py"):
                problem = True
            if not problem:
                continue
            # what is wrong, and where nothing of that is fixed, the remedy
            for argument in node.args[1:3]:
                parts = tuple(part.strip() for part in fixed(argument, known) if len(part.strip()) >= LEAST)
                if parts:
                    break
            if parts:  # what only hands on the words of another is that one's matter
                yield Site(f"{path.relative_to(ROOT)} {function.name}", parts, node.lineno)


def quoted() -> set[str]:
    """Return every text that a test quotes: literals of the test modules, and what doctests expect."""
    found: set[str] = set()
    for path in (ROOT / "tests").glob("test_*.py"):
        if path == Path(__file__):
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                for text in re.split(r"\||\.\*|\n", node.value.replace("\\", "")):
                    found.add(text.strip(" ^$"))
    for path in PACKAGE.rglob("*.py"):
        for line in path.read_text(encoding="utf-8").splitlines():
            if "InputError: " in line or re.match(r"\s+\d+\. \w", line):
                found.add(line.strip())
    return {text for text in found if len(text) >= LEAST and " " in text}


def test_every_refusal_is_quoted_by_a_test() -> None:
    texts = quoted()
    every = [site for path in sorted(PACKAGE.rglob("*.py")) for site in sites(path)]
    assert len(every) > 300
    together = "\n".join(sorted(texts))
    missing = {
        site.name: site.line for site in every
        if not any(part in together or any(text in part for text in texts) for part in site.parts)
    }  # fmt: skip
    waiting = set(NOT_YET.read_text(encoding="utf-8").splitlines())
    new = [f"line {line}: {name}" for name, line in missing.items() if name not in waiting]
    assert not new, "no test quotes these words:\n" + "\n".join(new)
