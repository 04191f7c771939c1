"""The local web page: a plan and a 3D view of a map, verdicts on a sole that one moves, and people's decisions.

`web/` holds the sources of what runs in the browser; `build` bundles them into `built/`, which installing does too
(`hatch_build`). The page reads maps only, and writes nothing but decisions.
"""
