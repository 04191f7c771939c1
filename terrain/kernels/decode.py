"""Stored integers to coordinates: arrays in, arrays out."""

from terrain.kernels.options import entry


@entry
def scale_columns(begin, end, x, y, z, time, scale, offset, out_xyz, out_time):  # type: ignore[no-untyped-def]
    """Write rows begin to end of int32 columns of any stride as (n, 3) float64 X * scale + offset; times as they are.

    Without times `time` has no rows.
    """
    for k in range(begin, end):
        out_xyz[k, 0] = x[k] * scale[0] + offset[0]
        out_xyz[k, 1] = y[k] * scale[1] + offset[1]
        out_xyz[k, 2] = z[k] * scale[2] + offset[2]
    if len(time):
        for k in range(begin, end):
            out_time[k] = time[k]
