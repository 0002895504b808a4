"""The size cue for records that already exist: clips found, measured, and weighed against the stated name.

- `wingtone.cue.table`      a CSV table to which columns are added and nothing else happens
- `wingtone.cue.clock`      when a record was made and when a clip; how far two clocks lie apart
- `wingtone.cue.matching`   which clip belongs to which record
- `wingtone.cue.agreement`  what the tone says of the name and caste that were written down
- `wingtone.cue.work`       all of it together, and the added columns
"""
