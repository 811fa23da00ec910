"""Positions, rises and twilights by astropy and PyEphem, for tests/reference/sky.test.ts.

Writes tests/reference/fixtures/sky.json. Run: /usr/bin/python3 tests/reference/sky/almanac.py
Needs Debian's python3-astropy and python3-ephem. Star places and motions are PyEphem's own list, which comes
from the Hipparcos catalogue, not from the one that the program uses. Directions are without refraction but for
the case that says so. Rises and sets follow the almanacs' rule (upper limb, 34' of refraction); PyEphem.
"""

import json
import math
import pathlib
import warnings

import astropy
import astropy.units as u
import ephem
import ephem.stars
from astropy.coordinates import AltAz, Distance, EarthLocation, SkyCoord, get_body
from astropy.time import Time
from astropy.utils import iers

iers.conf.auto_download = False
iers.conf.iers_degraded_accuracy = "warn"
warnings.simplefilter("ignore")

PLACES = {
    "north": (46.0, 8.0, 1200),
    "equator": (0.5, -78.0, 2800),
    "south": (-33.5, 149.0, 900),
    "far north": (66.0, 25.0, 50),
}
POSITIONS = [
    ("north", "2026-11-25 20:00:00", False),
    ("equator", "2005-03-14 04:30:00", False),
    ("south", "2031-07-02 11:15:00", False),
    ("far north", "2019-12-21 22:00:00", True),
]
NIGHTS = [
    ("north", "2026-11-25 18:00:00"),
    ("north", "2024-06-21 22:00:00"),
    ("equator", "2005-03-14 03:00:00"),
    ("south", "2031-07-02 11:00:00"),
    ("south", "2022-01-17 13:00:00"),
    ("far north", "2019-12-21 18:00:00"),
    ("far north", "2025-06-21 22:00:00"),
]
WANDERERS = ["sun", "moon", "mercury", "venus", "mars", "jupiter", "saturn"]


def rounded(value, digits=4):
    return round(float(value), digits)


def degrees(text, per_hour):
    """A number of PyEphem's list as degrees."""
    return float(text) * (15 if per_hour else 1)


def listed_stars():
    """One row per star: name, J2000 place in degrees, proper motion in milliarcseconds a year."""
    stars = {}
    for row in ephem.stars.db.strip().split("\n"):
        name, _, ra, dec, magnitude = row.split(",")[:5]
        ra, pm_ra = ra.split("|")[0], float(ra.split("|")[1]) if "|" in ra else 0.0
        dec, pm_dec = dec.split("|")[0], float(dec.split("|")[1]) if "|" in dec else 0.0
        stars[name] = (degrees(ra, True), degrees(dec, False), pm_ra, pm_dec, float(magnitude))
    return stars


def star_positions(place, time, refraction):
    lat, lon, height = PLACES[place]
    where = EarthLocation(lat=lat * u.deg, lon=lon * u.deg, height=height * u.m)
    air = dict(pressure=1010 * u.hPa, temperature=10 * u.deg_C, relative_humidity=0, obswl=0.55 * u.um)
    frame = AltAz(obstime=time, location=where, **(air if refraction else {}))
    out = {}
    for name, (ra, dec, pm_ra, pm_dec, magnitude) in STARS.items():
        star = SkyCoord(
            ra=ra * u.deg,
            dec=dec * u.deg,
            pm_ra_cosdec=pm_ra * u.mas / u.yr,
            pm_dec=pm_dec * u.mas / u.yr,
            distance=Distance(1 * u.kpc),
            obstime=Time("J2000"),
        ).apply_space_motion(new_obstime=time)
        seen = star.transform_to(frame)
        if refraction and seen.alt.deg < 5:
            continue
        out[name] = [rounded(seen.az.deg), rounded(seen.alt.deg), magnitude]
    return out, frame


def ephem_observer(place, time):
    lat, lon, height = PLACES[place]
    watcher = ephem.Observer()
    watcher.lat, watcher.lon, watcher.elevation = str(lat), str(lon), height
    watcher.date = time
    watcher.pressure = 0
    return watcher


def wanderers(place, time, frame):
    """Directions by both; magnitude and diameter by PyEphem. Never with refraction."""
    out = {}
    frame = AltAz(obstime=frame.obstime, location=frame.location)
    for name in WANDERERS:
        seen = get_body(name, frame.obstime, frame.location, ephemeris="builtin").transform_to(frame)
        body = getattr(ephem, name.capitalize())()
        body.compute(ephem_observer(place, time))
        out[name.capitalize()] = {
            "astropy": [rounded(seen.az.deg), rounded(seen.alt.deg)],
            "ephem": [rounded(math.degrees(body.az)), rounded(math.degrees(body.alt))],
            "magnitude": rounded(body.mag, 2),
            "diameterArcsec": rounded(2 * body.radius * 206264.806, 2),
        }
    return out


def crossing(place, start, body, horizon, centre, rising):
    """ISO time within a day of start, or None."""
    watcher = ephem_observer(place, start)
    watcher.horizon = horizon
    find = watcher.next_rising if rising else watcher.next_setting
    try:
        at = find(body, use_center=centre)
    except (ephem.AlwaysUpError, ephem.NeverUpError):
        return None
    if at - ephem.Date(start) > 1.0:
        return None
    return at.datetime().replace(microsecond=0).isoformat() + "Z"


def night(place, time):
    watcher = ephem_observer(place, time)
    noon = watcher.previous_transit(ephem.Sun())
    sun, moon = ephem.Sun(), ephem.Moon()
    out = {"place": place, "timeUtc": time.replace(" ", "T") + "Z", "noonUtc": noon.datetime().isoformat() + "Z"}
    for name, horizon in [("civil", "-6"), ("nautical", "-12"), ("astronomical", "-18")]:
        out[name] = {
            "dusk": crossing(place, noon, sun, horizon, True, False),
            "dawn": crossing(place, noon, sun, horizon, True, True),
        }
    for name, body in [("sun", sun), ("moon", moon)]:
        out[name + "set"] = crossing(place, noon, body, "-0:34", False, False)
        out[name + "rise"] = crossing(place, noon, body, "-0:34", False, True)
    moon.compute(time)
    out["moonLitPercent"] = rounded(moon.phase, 2)
    return out


STARS = listed_stars()


def main():
    positions = []
    for place, time, refraction in POSITIONS:
        stars, frame = star_positions(place, Time(time, scale="utc"), refraction)
        positions.append(
            {
                "place": place,
                "timeUtc": time.replace(" ", "T") + "Z",
                "refraction": refraction,
                "stars": stars,
                "wanderers": wanderers(place, time, frame),
            }
        )
    out = {
        "made by": "tests/reference/sky/almanac.py",
        "astropy": astropy.__version__,
        "ephem": ephem.__version__,
        "places": PLACES,
        "positions": positions,
        "nights": [night(*which) for which in NIGHTS],
    }
    target = pathlib.Path(__file__).parent.parent / "fixtures" / "sky.json"
    target.write_text(json.dumps(out, ensure_ascii=False).replace('"Acamar"', '\n"Acamar"').replace('{"place"', '\n{"place"') + "\n")


main()
