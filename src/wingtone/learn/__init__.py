"""A small classifier on the user's own labelled clips, and an honest account of how good it is.

The way through the room
------------------------
- `wingtone.learn.labels`      a table of labelled times, every fault at once; who belongs together
- `wingtone.learn.comb_sound`  the sound of a bout with only its own harmonics left in
- `wingtone.learn.features`    what a bout is described by, one figure at a time
- `wingtone.learn.dataset`     labels and recordings to a table of described bouts
- `wingtone.learn.kinds`       which kinds of classifier there are
- `wingtone.learn.classifier`  the classifier, as scikit-learn knows one
- `wingtone.learn.scores`      measures of being right, and their intervals over groups
- `wingtone.learn.baselines`   what a classifier has to beat
- `wingtone.learn.assessment`  nested, grouped cross-validation, and what would make it lie
- `wingtone.learn.model`       a trained model as plain numbers; its word as a likelihood
- `wingtone.learn.model_file`  the file of a model: plain data, checked when read
- `wingtone.learn.training`    all of it together

Nothing is imported here, so that a command pays only for what it uses: scikit-learn, librosa and skops are
optional parts.
"""
