"""Locates star and spots in the simulator's noise-free frames with photutils and SExtractor.

Writes tests/reference/fixtures/simulator-places.json. Run from the repository's root:
    PATH=node_modules/.bin:$PATH python3 tests/reference/simulator/locate.py
Needs Debian's python3-photutils, python3-astropy and source-extractor.
"""

import json
import pathlib
import subprocess
import tempfile

import astropy
import numpy as np
import photutils
from astropy.io import fits
from photutils.centroids import centroid_com

HERE = pathlib.Path(__file__).parent
PARAMS = "XWIN_IMAGE\nYWIN_IMAGE\nFLUX_AUTO\n"
CONFIG = """
CATALOG_TYPE ASCII
CATALOG_NAME out.cat
PARAMETERS_NAME out.param
FILTER N
DETECT_TYPE CCD
DETECT_MINAREA 5
THRESH_TYPE ABSOLUTE
DETECT_THRESH 5
ANALYSIS_THRESH 5
DEBLEND_MINCONT 1
CLEAN N
BACK_TYPE MANUAL
BACK_VALUE 0
SATUR_LEVEL 1e9
VERBOSE_TYPE QUIET
"""


def sextractor(folder, image):
    """(n, 2) windowed positions, 0-based, and n fluxes."""
    fits.PrimaryHDU(image).writeto(folder / "in.fits", overwrite=True)
    (folder / "out.param").write_text(PARAMS)
    (folder / "out.sex").write_text(CONFIG)
    subprocess.run(["source-extractor", "in.fits", "-c", "out.sex"], cwd=folder, check=True)
    rows = np.loadtxt(folder / "out.cat", ndmin=2)
    return rows[:, :2] - 1, rows[:, 2]


def main():
    version = subprocess.run(["source-extractor", "--version"], capture_output=True, text=True).stdout.strip()
    out = {
        "made by": "tests/reference/simulator/locate.py",
        "photutils": photutils.__version__,
        "astropy": astropy.__version__,
        "numpy": np.__version__,
        "sextractor": version,
        "scenes": {},
    }
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        subprocess.run(["node", str(HERE / "render.ts"), name], check=True)
        for scene in json.loads((folder / "index.json").read_text()):
            image = np.fromfile(folder / scene["file"], "<f4").reshape(-1, scene["widthPx"]).astype(float)
            y, x = np.indices(image.shape)
            found, flux = sextractor(folder, image)
            places = {}
            for place in scene["places"]:
                away = np.hypot(x - place["xPx"], y - place["yPx"]) > scene["windowPx"]
                com = centroid_com(image, mask=away)
                near = np.hypot(*(found - (place["xPx"], place["yPx"])).T) < scene["windowPx"]
                best = np.flatnonzero(near)[np.argmax(flux[near])]
                places[place["name"]] = {
                    "photutils": [round(float(v), 5) for v in com],
                    "sextractor": [round(float(v), 4) for v in found[best]],
                }
            out["scenes"][scene["name"]] = places
    target = HERE.parent / "fixtures" / "simulator-places.json"
    target.write_text(json.dumps(out, indent=1, ensure_ascii=False) + "\n")


main()
