"""The notebook: records that keep their history, places, and the open exchange formats.

Modules
-------
places, degrees, grids     where: latitude and longitude, British and Irish grid references, blurring
events                     when: dates, times, intervals
records                    what a record holds
store, schema, database    the SQLite file: add, list, amend, remove, with everything kept
pages, rescue              saving what can be read of a damaged file
exchange, extensions       a record in the terms of Darwin Core and Audiovisual Core
export, clips              archives, tables, maps; bouts as Broadcast Wave files
columns, importing         other people's tables
doubts                     what looks like a slip
cells, nearby, numbers     small helpers

Import from the modules: this package loads nothing by itself.
"""
