"""Hostile inputs from a seed: the generator, what is run with them, and how a run is judged.

A case is a target and a number; both together are its seed, so any case can be repeated by itself. The short
part of it is ``test_fuzz.py``, the whole is ``tests/benchmarks/fuzz.py``.

- `fuzz.torn`: bytes and texts damaged in general ways.
- `fuzz.recordings`, `fuzz.tables`, `fuzz.archives`, `fuzz.databases`, `fuzz.texts`: hostile inputs by kind.
- `fuzz.functions`, `fuzz.commands`, `fuzz.pages`: the targets, public functions, commands, and the page.
- `fuzz.case`: a case, its folders, and what must hold of it.
- `fuzz.parsers`: our own parsers as functions of bytes, for fuzzers guided by coverage.
"""
