"""Training of the joint network on made stills and upright people; needs torch, which nothing else does.

One command, on a machine with a GPU::

    python -m sample_clips_synthetic.training --stills FOLDER --people FILE --backbone FILE --out FOLDER

``network`` is the network, ``augment`` what a phone and a room do to a picture, ``pool`` the pictures,
``fit`` the steps, ``check`` the figures and the calibration, ``export`` the file that the package ships.
"""
