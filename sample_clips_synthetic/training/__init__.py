"""Training of the joint network on made stills and real people; nothing else needs torch.

One command, on a machine with a GPU::

    python -m sample_clips_synthetic.training --stills SHARDS --left-out SHARDS --people FILE
    --backbone FILE --out FOLDER

`network` is the network, `augment` what a phone and a room do to a picture, `pool` the pictures,
`people` labels real ones, `fit` takes the steps, `check` gives figures and the calibration, and
`export` writes the file that the package ships.
"""
