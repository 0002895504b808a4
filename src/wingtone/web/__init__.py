"""The local page: a small server on the user's own machine, and the files of the page.

Modules
-------
application     the routes put together, `make_application`
server          starting and stopping it on an address
guard           who may ask: host, origin, token, the code of ``--lan``; the headers of every answer
desk            the recordings that were brought in, each a folder with its state
workers, worker decoding and measuring in processes of their own, which may crash or be killed
stored          a measurement on disk
corrections     bouts as the user corrects them
strip, png      the spectrogram as tiles
sounds          what the browser plays
seen            what the user says was seen, checked field by field
answers         answers and the numbers behind their pictures
clip_routes, record_routes, export, sheet
                what is served under which address

No science is done here: the routes call `wingtone.clip`, `wingtone.evidence`, `wingtone.notebook` and
`wingtone.learn`. Import from the modules: this package loads nothing by itself.
"""
