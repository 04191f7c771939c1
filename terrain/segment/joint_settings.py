"""What counts as a joint between two surfaces, or as an opening in one."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class JointSettings:
    """What counts as a dip; lengths in metres."""

    across_m: float = 0.006
    along_m: float = 0.024
    """Cells that returns are counted in, across a joint and along it."""
    strip_m: float = 0.012
    opening_strip_m: float = 0.024
    opening_lengths_m: tuple[float, ...] = (0.38, 0.76)
    """Strips for openings, along the border."""
    oblique: int = 8
    oblique_length_m: float = 0.43
    oblique_cell_m: float = 0.008
    """For openings in other directions: four times so many of them, how long strips are, the cells they are made of."""
    oblique_least_rad: float = 0.105
    """In directions nearer to the border's than this joints would be found, which need not be openings."""
    oblique_widened_m: float = 0.012
    oblique_lengthened_m: float = 0.048
    """What was found is widened by so much to each side, and lengthened at its ends."""
    openings_alone: float = 5.3
    oblique_alone: float = 5.5
    """As `alone`, for openings, along the border and in so many directions. Of 450 floors of 4 m2 and evenly scattered
    returns, 2,000 to 10,000 a square metre, 53 had an oblique one by chance at 5.0, 15 at 5.3, 4 at 5.5."""
    grazing: float = 0.2
    """Where the cosine of incidence is less, beams do not tell whether they went in; `suspected` is enough there."""
    lengths_m: tuple[float, ...] = (0.20, 0.38)
    flank_from_m: float = 0.018
    flank_to_m: float = 0.06
    """From where to where, beyond the strip's border, the returns beside it are counted."""
    short_m: float = 0.10
    low_here: float = 0.9
    """Along a dip only where returns over `short_m` are fewer than this share of those beside."""
    entered_here: float = 0.8
    """The same for beams that went in: how many standard deviations more than beside."""
    certain: float = 4.4
    suspected: float = 3.8
    alone: float = 5.0
    """Depths of the dip in standard deviations of the counts, as they scatter on this very patch; `alone` where there
    are no beams: at 3.8 every third level floor of 1 to 2 m2 had a dip by chance, at 4.3 every eighth."""
    offsets_rad: tuple[float, ...] = (-0.026, 0.0, 0.026)
    ragged_m2: float = 2.0
    """The border of a part smaller than this tells its direction only roughly: it is searched beside it too."""
    false_cuts: float = 0.01
    """How many strips of a whole part may pass for certain by chance; a large part asks for deeper dips."""
    least_width_m: float = 0.0115
    """A joint that is narrower separates nothing, where returns are dense enough to tell (`width_sd_m`)."""
    width_sd_m: float = 0.0022
    opening_m: float = 0.03
    """How much further than the surface a beam ends, at most, that went into a joint and met its far side."""
    beam_strip_m: float = 0.018
    least_beyond_m: float = 0.0055
    """How much further than beside them beams that met the strip end on average, at least. A joint as wide as the strip
    makes it half its width over the sine of incidence, one of half that width a quarter of that; a groove little."""
    level_m: float = 0.04
    """Sd of the average that the height of returns over their plane is taken from: planes do not fit perfectly."""
    beam_weight: float = 0.9
    count_weight: float = 0.44
    """How the excess of beams that went in and the lack of returns count; squares add up to about one."""
    least_lack: float = 1.0
    """Without this much lack of returns, beams that went in are a groove and not a joint."""
    least_expected: float = 8.0
    deep: float = 0.65
    """Share of the returns beside it that a cut strip has at most."""
    joint_m: float = 0.025
    """Without beams a dip up to half as wide is only suspected, and a narrower one parts two surfaces that touch."""
