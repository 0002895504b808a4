"""Every figure in the documents comes from a run that prints it.

    python tests/benchmarks/figures.py                  do the documents say what the results say?
    python tests/benchmarks/figures.py --list           the runs, how long they take, and what they need
    python tests/benchmarks/figures.py --remake --negatives FOLDER [--only NAME ...] [--into FOLDER]
    python tests/benchmarks/figures.py --remake --negatives FOLDER --only seeded    (then: --only clock)
    python tests/benchmarks/figures.py --write          put the numbers of the results into the documents

``figures.toml`` beside this file names the runs, the sentences whose numbers come from them, and the numbers
that are no measurements, each with its reason. The check fails, naming file and line, when

- a sentence lacks the very numbers that the result gives, rounded as the sentence says;
- a number of a document stands in no such sentence and is not on that list (code is left out: blocks, spans
  in backticks, addresses; in a guide what its blocks show may be repeated, as tests run those);
- a result is missing and the table does not say why it is awaited, was made by another command than the
  published one, or its table was edited by hand.

Numbers written as words are not seen, so measured ones are written in digits.

``--remake`` runs the commands again, two at a time, those of the clock alone at the end, and then checks.
Seeded figures must come out as printed. What depends on the machine (speed, time, memory, chance of the
clock) says by which factor it may differ: within it a remake passes and says so, and ``--write`` takes the
new numbers. ``--into`` leaves the results that are kept here as they are.
"""

from __future__ import annotations

import argparse
import concurrent.futures
import hashlib
import importlib.util
import json
import os
import re
import subprocess
import sys
import time
import tomllib
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.kept import RESULTS, ROOT, sources_sha256
from benchmarks.labelled import recordings_folder
from wingtone.files import replacing

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

DOCUMENTS = ("README.md", "DEVELOPERS.md", "CHANGELOG.md", "models/README.md")
GUIDES = "guides/*.md"
TABLE = Path(__file__).with_suffix(".toml")

PLACE = re.compile(r"\{([a-z0-9_.]+)(?::([^{}]*))?\}")
NUMBER = r"-?\d+(?:,\d{3})*(?:\.\d+)?"
ANY_FIGURE = rf"(?:none|{NUMBER}(?: to {NUMBER})?)"
IN_TEXT = re.compile(rf"(?<![A-Za-z_\d.])(?<!\d,){NUMBER}")
FENCED = r"^(?:```|~~~).*?^(?:```|~~~)[ ]*$"
CODE = re.compile(
    rf"{FENCED}|`[^`\n]*(?:\n[^`\n]+)?`|\]\([^)]*\)|<[^<>]*>|https?://\S+|^\s*\d+\.(?=\s)",
    re.MULTILINE | re.DOTALL,
)


@dataclass(frozen=True)
class Run:
    """One command that makes a result or a picture."""

    name: str
    command: str
    minutes: float
    alone: bool = False
    needs: tuple[str, ...] = ()
    awaited: str = ""
    """Why its result is not here yet; the sentences that rest on it are then only looked for."""

    @property
    def keeps(self) -> bool:
        """Whether it writes a result; others only draw."""
        return not self.command.startswith("wingtone ")

    def told(self) -> str:
        """The command as its result states it."""
        return ("python " if self.keeps else "") + re.sub(r"\{\w+\}\S*", "FOLDER", self.command)


@dataclass(frozen=True)
class Claim:
    """A sentence of a document whose numbers come from results."""

    document: str
    text: str
    within: float = 1.0
    """Factor by which a remake may differ; 1 for what is the same on every machine."""


@dataclass(frozen=True)
class Said:
    """Numbers that are no measurement."""

    text: str
    reason: str
    document: str = ""


@dataclass(frozen=True)
class Fault:
    """Something that is not so."""

    document: str
    line: int
    what: str

    def __str__(self) -> str:
        return f"{self.document}:{self.line}: {self.what}" if self.line else f"{self.document}: {self.what}"


@dataclass
class Table:
    """What ``figures.toml`` holds."""

    runs: dict[str, Run]
    claims: list[Claim]
    said: list[Said]


@dataclass
class Verdict:
    """What a check found; ``close`` are figures that a remake gave otherwise, within their factor."""

    faults: list[Fault] = field(default_factory=list)
    close: list[Fault] = field(default_factory=list)
    awaited: list[str] = field(default_factory=list)
    held: int = 0


def read_table(path: Path = TABLE) -> Table:
    """Read runs, claims and what is said."""
    data: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))
    rows = data.get("runs", {}).items()
    runs = {name: Run(name, **{**row, "needs": tuple(row.get("needs", ()))}) for name, row in rows}
    claims = [Claim(**{**row, "text": _one_line(row["text"])}) for row in data.get("claims", [])]
    said = [Said(**{**row, "text": _one_line(row["text"])}) for row in data.get("said", [])]
    return Table(runs, claims, said)


def documents(root: Path = ROOT) -> dict[str, str]:
    """The documents by name."""
    names = [name for name in DOCUMENTS if (root / name).is_file()]
    names += [path.relative_to(root).as_posix() for path in sorted(root.glob(GUIDES))]
    return {name: (root / name).read_text(encoding="utf-8") for name in names}


def read_results(folder: Path) -> dict[str, dict[str, Any]]:
    """All results of a folder, whole."""
    return {path.stem: json.loads(path.read_text(encoding="utf-8")) for path in sorted(folder.glob("*.json"))}


# --- sentences ------------------------------------------------------------------------------------------


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _line(text: str, at: int) -> int:
    return text.count("\n", 0, at) + 1


def _around(text: str, start: int, end: int) -> str:
    return _one_line(text[max(start - 30, 0) : end + 30])


def figure(results: Mapping[str, Any], path: str, form: str) -> str:
    """Write one value of a result.

    ``form`` is one of Python's; for a list ``range``, ``least`` or ``most`` goes before it, and ``none``
    before it writes "none" for 0.
    """
    value: Any = {name: result["values"] for name, result in results.items()}
    for key in path.split("."):
        if not isinstance(value, dict) or key not in value:
            raise LookupError(f"there is no {path} in the results")
        value = value[key]
    how = next((word for word in ("range", "least", "most", "none") if form.startswith(word)), "")
    form = form.removeprefix(how)
    numbers = value if how in _OF_LISTS else [value]
    if not isinstance(numbers, list) or not all(isinstance(number, (int, float)) for number in numbers):
        raise LookupError(f"{path} is {value!r}, which {how or 'a number'!r} cannot write")
    if how == "none" and value == 0:
        return "none"
    if how in _OF_LISTS:
        low, high = format(min(value), form), format(max(value), form)
        return {"least": low, "most": high}.get(how, low if low == high else f"{low} to {high}")
    return format(value, form)


_OF_LISTS = ("range", "least", "most")


def _pattern(claim: Claim) -> re.Pattern[str]:
    """The sentence with any numbers, over any line breaks; a group for each number from a result."""
    out, at = "", 0
    for place in PLACE.finditer(claim.text):
        out += re.escape(claim.text[at : place.start()]) + f"({ANY_FIGURE})"
        at = place.end()
    out += re.escape(claim.text[at:])
    return re.compile(out.replace(r"\ ", r"\s+"))


def _figures(claim: Claim, results: Mapping[str, Any]) -> list[str]:
    return [figure(results, place[1], place[2] or "") for place in PLACE.finditer(claim.text)]


def _near(text: str, claim: Claim) -> int:
    """Line where the longest part of a sentence stands that the document has; 0 for none."""
    plain, lines = "", []
    for number, line in enumerate(text.splitlines(), start=1):
        piece = _one_line(line) + " "
        plain += piece
        lines += [number] * len(piece)
    for part in sorted(PLACE.split(claim.text)[::3], key=len, reverse=True):
        words = part.split()
        for n in (len(words), 6, 4, 3):
            at = plain.find(" ".join(words[:n])) if len(words) >= n >= 2 else -1
            if at >= 0:
                return lines[at]
    return 0


def _numbers(text: str) -> list[float]:
    return [
        0.0 if word == "none" else float(word.replace(",", ""))
        for word in re.findall(rf"none|{NUMBER}", text)
    ]


def _within(text: str, told: str, factor: float) -> bool:
    old, new = _numbers(text), _numbers(told)
    return len(old) == len(new) and all(
        a == b or (min(a, b) > 0 and max(a, b) <= factor * min(a, b)) for a, b in zip(old, new, strict=True)
    )


def check_claims(
    table: Table, texts: Mapping[str, str], results: Mapping[str, Any], verdict: Verdict, *, remade: bool
) -> dict[str, list[tuple[int, int]]]:
    """Compare sentences with results; where the numbers of results stand in each document."""
    covered: dict[str, list[tuple[int, int]]] = {name: [] for name in texts}
    for claim in table.claims:
        text = texts.get(claim.document, "")
        matches = list(_pattern(claim).finditer(text))
        for match in matches:
            covered[claim.document] += [match.span(k + 1) for k in range(match.re.groups)]
        if not matches:
            verdict.faults.append(Fault(claim.document, _near(text, claim), f"does not say: {claim.text}"))
            continue
        if any(
            table.runs[name].awaited and name not in results
            for name in _results_of(claim) & table.runs.keys()
        ):
            verdict.awaited.append(claim.text)
            continue
        try:
            told = _figures(claim, results)
        except LookupError as error:
            verdict.faults.append(Fault(claim.document, _line(text, matches[0].start()), str(error)))
            continue
        for match in matches:
            for k, number in enumerate(told, start=1):
                if match[k] == number:
                    verdict.held += 1
                    continue
                line = _line(text, match.start(k))
                what = f'"{_around(text, *match.span(k))}": {match[k]} should be {number}'
                if remade and _within(match[k], number, claim.within):
                    what = f"{match[k]} is {number} now, within a factor of {claim.within:g}"
                    verdict.close.append(Fault(claim.document, line, what))
                else:
                    verdict.faults.append(Fault(claim.document, line, what))
    return covered


def rewritten(table: Table, texts: Mapping[str, str], results: Mapping[str, Any]) -> dict[str, str]:
    """The documents with the numbers of the results that are there."""
    out = dict(texts)
    for claim in table.claims:
        try:
            told = _figures(claim, results)
        except LookupError:
            continue  # the check names it
        text = out.get(claim.document, "")
        for match in reversed(list(_pattern(claim).finditer(text))):
            for k in range(len(told), 0, -1):
                text = text[: match.start(k)] + told[k - 1] + text[match.end(k) :]
        if claim.document in out:
            out[claim.document] = text
    return out


# --- the rest of the numbers ----------------------------------------------------------------------------


def check_numbers(
    table: Table,
    texts: Mapping[str, str],
    covered: Mapping[str, list[tuple[int, int]]],
    verdict: Verdict,
) -> None:
    """Find numbers that come from no result and are not said to be something else."""
    used = set()
    for name, text in texts.items():
        spans = [*covered[name], *(match.span() for match in CODE.finditer(text))]
        shown: set[str] = set()
        if name.startswith("guides/"):
            for block in re.finditer(FENCED, text, re.MULTILINE | re.DOTALL):
                shown |= {match[0] for match in IN_TEXT.finditer(block[0])}
        for number, said in enumerate(table.said):
            if said.document in ("", name) or (said.document == GUIDES and name.startswith("guides/")):
                words = re.escape(said.text).replace(r"\ ", r"\s+")
                found = [match.span() for match in re.finditer(rf"(?<![\w.]){words}(?![\d])", text)]
                spans += found
                used |= {number} if found else set()
        for match in IN_TEXT.finditer(text):
            inside = any(start <= match.start() and match.end() <= end for start, end in spans)
            if not inside and match[0] not in shown:
                what = f'"{_around(text, *match.span())}": {match[0]} comes from no result and has no reason'
                verdict.faults.append(Fault(name, _line(text, match.start()), what))
    for number, said in enumerate(table.said):
        if number not in used and (not said.document or said.document in texts):
            verdict.faults.append(Fault(TABLE.name, 0, f'"{said.text}" stands in no document any more'))


def check_results(table: Table, folder: Path, results: Mapping[str, Any], verdict: Verdict) -> None:
    """Each result is there, made by the published command, with the table that was made with it."""
    for run in table.runs.values():
        if not run.keeps:
            continue
        result, page = results.get(run.name), folder / f"{run.name}.md"
        if run.awaited:
            if result is not None:
                verdict.faults.append(
                    Fault(TABLE.name, 0, f"{run.name} is awaited no longer: take that away")
                )
        elif result is None or not page.is_file():
            verdict.faults.append(Fault(f"{run.name}.json", 0, f"is missing; {run.told()} makes it"))
        elif result["command"] != run.told():
            what = f"was made by {result['command']}, not by {run.told()}"
            verdict.faults.append(Fault(f"{run.name}.json", 0, what))
        elif hashlib.sha256(page.read_bytes()).hexdigest() != result["table_sha256"]:
            verdict.faults.append(Fault(page.name, 0, "was changed by hand"))
    for path in sorted(folder.glob("*.md")):
        if path.stem not in table.runs:
            verdict.faults.append(Fault(path.name, 0, "no run makes it"))


def check(
    table: Table, texts: Mapping[str, str], folder: Path, *, remade: bool = False, only: Sequence[str] = ()
) -> Verdict:
    """Check everything; with ``only`` the sentences that rest on these results, and nothing else.

    After a remake figures may differ by their factor.
    """
    verdict, results = Verdict(), read_results(folder)
    if only:
        runs = {name: table.runs[name] for name in only}
        resting = [claim for claim in table.claims if _results_of(claim) & runs.keys()]
        check_claims(Table(runs, resting, []), texts, results, verdict, remade=remade)
        return verdict
    check_results(table, folder, results, verdict)
    covered = check_claims(table, texts, results, verdict, remade=remade)
    check_numbers(table, texts, covered, verdict)
    return verdict


def _results_of(claim: Claim) -> set[str]:
    return {place[1].split(".")[0] for place in PLACE.finditer(claim.text)}


# --- making them again ----------------------------------------------------------------------------------


def missing(run: Run, negatives: Path | None) -> list[str]:
    """What a run needs and is not here."""
    out = []
    for need in run.needs:
        if need == "recordings":
            here = recordings_folder() is not None
        elif need == "negatives":
            here = negatives is not None and any(negatives.glob("x_*"))
        else:
            here = importlib.util.find_spec(need) is not None
        if not here:
            out.append(_WHERE.get(need, f"the package {need}"))
    return out


_WHERE = {
    "recordings": "the labelled recordings (WINGTONE_RECORDINGS)",
    "negatives": "the further negatives (--negatives FOLDER, see labelled.py)",
}


def words_of(run: Run, into: Path, pictures: Path, negatives: Path | None) -> list[str]:
    """The command line of a run."""
    places = {"pictures": pictures.resolve(), "negatives": negatives and negatives.resolve()}
    words = [word.format(**places) for word in run.command.split()]
    if run.keeps:
        return [sys.executable, *words, "--out", str(into.resolve())]
    return [sys.executable, "-c", "from wingtone.cli import main; main()", *words[1:]]


def carry_out(run: Run, words: list[str]) -> bool:
    """Run one command; its last words when it fails."""
    print(f"{time.strftime('%H:%M:%S')} {run.name}: begun, about {run.minutes:g} min", flush=True)
    began = time.monotonic()
    # Runs side by side would wait for each other's threads; one thread each also adds up in one order.
    threads = {} if run.alone else dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"), "1")
    done = subprocess.run(
        words, cwd=ROOT, env=os.environ | threads, capture_output=True, text=True, check=False
    )
    took = (time.monotonic() - began) / 60
    if done.returncode:
        last = "\n    ".join((done.stdout + done.stderr).splitlines()[-15:])
        print(f"{time.strftime('%H:%M:%S')} {run.name}: FAILED after {took:.1f} min\n    {last}", flush=True)
    else:
        print(f"{time.strftime('%H:%M:%S')} {run.name}: done in {took:.1f} min", flush=True)
    return done.returncode == 0


def remake(runs: Sequence[Run], into: Path, pictures: Path, negatives: Path | None, jobs: int) -> list[str]:
    """Run commands, longest first, those of the clock alone at the end; the names of those that failed."""
    failed = []
    able = []
    for run in runs:
        lacking = missing(run, negatives)
        if lacking:
            print(f"{run.name}: NOT RUN, missing: {', '.join(lacking)}", flush=True)
            failed.append(run.name)
        else:
            able.append(run)
    pictures.mkdir(parents=True, exist_ok=True)
    work = partial(_one, into=into, pictures=pictures, negatives=negatives)
    together = sorted((run for run in able if not run.alone), key=lambda run: -run.minutes)
    with concurrent.futures.ThreadPoolExecutor(jobs) as pool:
        failed += [run.name for run, well in zip(together, pool.map(work, together), strict=True) if not well]
    failed += [run.name for run in able if run.alone and not work(run)]
    return failed


def _one(run: Run, *, into: Path, pictures: Path, negatives: Path | None) -> bool:
    return carry_out(run, words_of(run, into, pictures, negatives))


def chosen(table: Table, names: Sequence[str]) -> list[str]:
    """Names of runs, ``seeded`` and ``clock`` written out."""
    groups = {
        "seeded": [run.name for run in table.runs.values() if not run.alone],
        "clock": [run.name for run in table.runs.values() if run.alone],
    }
    return [run for name in names for run in groups.get(name, [name])]


def listing(table: Table, results: Mapping[str, Any]) -> Iterator[str]:
    """The runs, with what their last time took."""
    here = sources_sha256()
    for run in table.runs.values():
        result = results.get(run.name)
        took = f"{result['took_s'] / 60:.1f} min last time" if result else "never kept"
        old = ", made by other sources" if result and result["sources_sha256"] != here else ""
        needs = f"; needs {', '.join(run.needs)}" if run.needs else ""
        how = "alone" if run.alone else "beside another"
        yield f"{run.name}: about {run.minutes:g} min ({took}{old}), {how}{needs}\n    {run.told()}"
    together = sum(run.minutes for run in table.runs.values() if not run.alone)
    alone = sum(run.minutes for run in table.runs.values() if run.alone)
    yield f"All: about {together / 2 + alone:.0f} min on two cores, {alone:.0f} of them alone."


def main() -> int:
    """Run the command."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--check", action="store_true", help="what is done without any option")
    parser.add_argument("--list", action="store_true")
    parser.add_argument("--write", action="store_true")
    parser.add_argument("--remake", action="store_true")
    parser.add_argument("--only", nargs="+", metavar="NAME", default=[], help="these runs alone")
    parser.add_argument("--into", type=Path, default=RESULTS, metavar="FOLDER", help="instead of results/")
    parser.add_argument(
        "--negatives", type=Path, metavar="FOLDER", help="of unpacked packages, see labelled.py"
    )
    parser.add_argument("--jobs", type=int, default=2, help="runs at a time")
    options = parser.parse_args()
    table = read_table()
    only = chosen(table, options.only)
    unknown = set(only) - table.runs.keys()
    if unknown:
        parser.error(f"no such run: {', '.join(sorted(unknown))}; --list names them")
    if options.list:
        print(*listing(table, read_results(options.into)), sep="\n")
        return 0
    failed: list[str] = []
    if options.remake:
        runs = [run for name, run in table.runs.items() if not only or name in only]
        ours = options.into == RESULTS
        pictures = ROOT / "demo_audio" / "pictures" if ours else options.into / "pictures"
        failed = remake(runs, options.into, pictures, options.negatives, options.jobs)
    if options.write:
        for name, text in rewritten(table, documents(), read_results(options.into)).items():
            with replacing(ROOT / name) as path:
                path.write_text(text, encoding="utf-8")
    verdict = check(table, documents(), options.into, remade=options.remake, only=only)
    for fault in (*verdict.close, *verdict.faults):
        print(fault)
    for name in failed:
        print(f"{name}: COULD NOT BE REMADE")
    for run in table.runs.values():
        if run.awaited:
            print(f"{run.name}: AWAITED, {run.awaited}")
    print(
        f"{verdict.held} figures as printed, {len(verdict.close)} within their factor, "
        f"{len(verdict.awaited)} sentences that await their result, {len(verdict.faults)} faults, "
        f"{len(failed)} runs failed"
    )
    return 1 if verdict.faults or failed else 0


if __name__ == "__main__":
    sys.exit(main())
