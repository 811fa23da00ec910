"""Trails on the sensor, by astropy: SkyCoord offsets and a gnomonic (TAN) projection. Writes fixtures/trails.json.

A star of the given declination moves along its circle for the exposure. The camera points so that the middle of
the star's arc stands off the axis by the given angle along the arc itself, where a trail is longest.
"""
import json
from pathlib import Path

import astropy
import astropy.units as u
import numpy as np
from astropy.coordinates import SkyCoord
from astropy.wcs import WCS

SIDEREAL_DEG_PER_S = np.degrees(7.292115e-5)


def trail_um(focal_mm, declination_deg, off_axis_deg, exposure_s):
    half = SIDEREAL_DEG_PER_S * exposure_s / 2
    start = SkyCoord((180 - half) * u.deg, declination_deg * u.deg)
    end = SkyCoord((180 + half) * u.deg, declination_deg * u.deg)
    middle = start.directional_offset_by(start.position_angle(end), start.separation(end) / 2)
    axis = middle.directional_offset_by(middle.position_angle(end), off_axis_deg * u.deg)
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [axis.ra.deg, axis.dec.deg]
    wcs.wcs.cdelt = [1e-3, 1e-3]
    (x0, x1), (y0, y1) = wcs.world_to_pixel(SkyCoord([start, end]))
    per_pixel_um = focal_mm * 1000 * np.radians(1e-3)
    return float(np.hypot(x1 - x0, y1 - y0) * per_pixel_um)


cases = [
    dict(focalMm=f, declinationDeg=d, offAxisDeg=a, exposureS=t, trailUm=trail_um(f, d, a, t))
    for f, d, a, t in [
        (24, 0, 0, 10),
        (24, -23.4, 0, 20),
        (14, 60, 0, 30),
        (200, 45, 0, 2),
        (50, 89, 0, 600),
        (24, 5, 0, 3600),
        (24, 0, 37, 10),
        (14, -30, 52, 25),
        (35, 70, 25, 120),
    ]
]
text = json.dumps({"astropy": astropy.__version__, "cases": cases}, indent=1)
Path(__file__).with_name("fixtures").joinpath("trails.json").write_text(text + "\n")
