"""Faults of machine and world: what is promised, and where each promise is held to.

Every command that writes: `measure` (stdout, ``--tracks``, ``--figure``), `identify --record`, `cue`,
`train`, `survey`, `sizes`, `notebook` (add, amend, import, export in five formats, chart, rescue), the page.

=====================================  ===================================================================
fault                                  where it is tried
=====================================  ===================================================================
full disk, each command but the page   `test_writers` on a real disk of 1 MB, at two levels
full disk, page: upload and state      `test_shared`
full disk, a model being written       the same writer (`files.replacing`) as all: `cli/test_files`
full disk, notebook, half-way          also ``notebook/test_hardship``, ``benchmarks/notebook_hardship.py``
stdout or stderr full, closed, gone    `test_streams`; also ``cli/test_cli_errors``
read-only folder, guarded file         `test_writers` by a user without rights, `test_inputs`
folder or file that may not be read    `test_inputs`; notebook: ``notebook/test_hardship``
folder, pipe, device, link, loop       `test_inputs`, sixteen command lines each
gone, cut or growing while read        `test_inputs`; a disk that fails: ``audio/test_errors``,
                                       ``survey/test_run``
killed with kill -9                    ``notebook/test_hardship``, ``survey/test_kill``
SIGTERM, SIGHUP, Ctrl-C half-way       `test_signals`, survey: `test_shared`, ``survey/test_run``
worker killed, stuck, out of memory    survey: ``survey/test_workers`` (all of it stopped: there too),
                                       SIGSTOP of one: `test_shared`;
                                       page: ``web/test_page_security``
two programs, one notebook             ``notebook/test_hardship``
two programs, one survey               ``survey/test_manifest``
two programs, one desk                 `test_shared`
two programs, one output file          `test_inputs`
clock set back, 1970, 2038, 9999       `test_dates`; ``--lan`` goes by a clock that only goes forward
zones, leap days, changes of clocks    `test_dates`; matching: ``cue/test_matching``
locale C, ASCII and Latin-1 terminals  `test_streams`; names that are no text: ``cli/test_cli_errors``
tables of other systems                `test_tables`; bytes kept by cue: ``cue/test_table``
names: case, accents, depth            `test_inputs`; names sent to the page: ``web/test_page_security``
leavings of systems in folders         `test_inputs`
no home, odd XDG, no TMPDIR            `test_shared`
no terminal, COLUMNS, TERM, NO_COLOR   `test_streams`
few open files, one processor          `test_streams`
=====================================  ===================================================================

Not tried: a limit on processes and an absent /dev/shm (both would hurt what runs beside), reserved names of
Windows, decimal commas by the system's locale (wingtone never asks it how to write a number), the demo (it
writes to stdout alone).
"""
