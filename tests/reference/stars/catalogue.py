"""Catalogues the star fields of scenes.ts with SExtractor and photutils, and fits Gaussians with photutils and astropy.

Writes tests/reference/fixtures/stars.json. Run from the repository's root:
    PATH=node_modules/.bin:$PATH python3 tests/reference/stars/catalogue.py
Needs Debian's python3-photutils, python3-astropy, python3-scipy and source-extractor.
"""

import json
import pathlib
import subprocess
import tempfile
import warnings

import astropy
import numpy as np
import photutils
from astropy.convolution import convolve
from astropy.io import fits
from astropy.modeling.fitting import LevMarLSQFitter
from astropy.modeling.models import Gaussian2D
from astropy.stats import SigmaClip
from photutils.background import Background2D, SExtractorBackground
from photutils.psf import IntegratedGaussianPRF
from photutils.segmentation import SourceCatalog, SourceFinder, make_2dgaussian_kernel

warnings.filterwarnings("ignore")
HERE = pathlib.Path(__file__).parent
KERNELS = pathlib.Path("/usr/share/source-extractor")
FWHM = 2.354820045
PARAMS = ["XWIN_IMAGE", "YWIN_IMAGE", "SNR_WIN", "FLUX_RADIUS", "AWIN_IMAGE", "BWIN_IMAGE", "THETAWIN_IMAGE", "FLAGS"]
CONFIG = """
CATALOG_TYPE ASCII
CATALOG_NAME out.cat
PARAMETERS_NAME out.param
FILTER Y
FILTER_NAME {kernel}
DETECT_MINAREA 5
DETECT_THRESH 1.5
ANALYSIS_THRESH 1.5
BACK_SIZE 128
SATUR_LEVEL 1e9
PHOT_FLUXFRAC 0.5
VERBOSE_TYPE QUIET
"""
# The kernel nearest to the stars' width.
WIDE = {"defocused": "gauss_5.0_9x9.conv"}
# Stars of each field that Gaussians are fitted to: the brightest of those that stand alone.
FITTED = 80


def sextractor(folder, name, image):
    """Rows of PARAMS, places 0-based."""
    fits.PrimaryHDU(image.astype("<f4")).writeto(folder / "in.fits", overwrite=True)
    (folder / "out.param").write_text("\n".join(PARAMS))
    (folder / "out.sex").write_text(CONFIG.format(kernel=KERNELS / WIDE.get(name, "gauss_2.5_5x5.conv")))
    subprocess.run(["source-extractor", "in.fits", "-c", "out.sex"], cwd=folder, check=True)
    rows = np.loadtxt(folder / "out.cat", ndmin=2)
    rows[:, :2] -= 1
    return rows


def segments(name, image, background):
    """x, y, signal-to-noise and half-light radius of photutils' segments."""
    kernel = make_2dgaussian_kernel(5 if name in WIDE else 2.5, size=9)
    above = image - background.background
    smooth = convolve(above, kernel)
    finder = SourceFinder(npixels=5, progress_bar=False)
    found = finder(smooth, 1.5 * background.background_rms)
    catalogue = SourceCatalog(above, found, convolved_data=smooth, error=background.background_rms)
    snr = catalogue.segment_flux / catalogue.segment_fluxerr
    return np.column_stack([catalogue.xcentroid, catalogue.ycentroid, snr, catalogue.fluxfrac_radius(0.5).value])


def fitted(above, x, y, width):
    """FWHM of the pixel-integrated round Gaussian; mean FWHM, elongation and angle of the elliptical one."""
    half = int(np.ceil(1.6 * width)) + 1
    column, row = int(round(x)), int(round(y))
    if min(column, row) < half or row + half >= above.shape[0] or column + half >= above.shape[1]:
        return None
    box = above[row - half : row + half + 1, column - half : column + half + 1]
    yy, xx = np.mgrid[row - half : row + half + 1, column - half : column + half + 1]
    fitter = LevMarLSQFitter()
    prf = IntegratedGaussianPRF(sigma=width / FWHM, x_0=x, y_0=y, flux=box.sum())
    prf.sigma.fixed = False
    round_fwhm = FWHM * abs(fitter(prf, xx, yy, box).sigma.value)
    oval = fitter(Gaussian2D(box.max(), x, y, 1.1 * width / FWHM, 0.9 * width / FWHM, 0.1), xx, yy, box)
    major, minor = abs(oval.x_stddev.value), abs(oval.y_stddev.value)
    angle = np.degrees(oval.theta.value)
    if minor > major:
        major, minor, angle = minor, major, angle + 90
    major, minor = np.sqrt(np.maximum(1e-3, np.square([major, minor]) - 1 / 12))
    return [round_fwhm, FWHM * np.sqrt(major * minor), major / minor, (angle + 90) % 180 - 90]


def rounded(rows, digits):
    return [[round(float(value), digit) for value, digit in zip(row, digits)] for row in rows]


def main():
    version = subprocess.run(["source-extractor", "--version"], capture_output=True, text=True).stdout.strip()
    out = {
        "made by": "tests/reference/stars/catalogue.py",
        "photutils": photutils.__version__,
        "astropy": astropy.__version__,
        "sextractor": version,
        "columns": {
            "sextractor": ["xPx", "yPx", "snr", "hfrPx", "elongation", "angleDeg", "flags"],
            "photutils": ["xPx", "yPx", "snr", "hfrPx"],
            "fitted": ["xPx", "yPx", "roundFwhmPx", "ovalFwhmPx", "elongation", "angleDeg"],
        },
        "fields": {},
    }
    with tempfile.TemporaryDirectory() as temporary:
        folder = pathlib.Path(temporary)
        subprocess.run(["node", str(HERE / "render.ts"), temporary], check=True)
        for field in json.loads((folder / "index.json").read_text()):
            name = field["name"]
            image = np.fromfile(folder / field["file"], "<f4").reshape(-1, field["widthPx"]).astype(float)
            background = Background2D(image, 128, sigma_clip=SigmaClip(3), bkg_estimator=SExtractorBackground())
            above = image - background.background
            found = sextractor(folder, name, image)
            print(name, len(found), (found[:, 2] > 10).sum())
            alone = [
                star
                for star in found[np.argsort(-found[:, 2])]
                if star[7] == 0 and np.sort(np.hypot(*(found[:, :2] - star[:2]).T))[1] > 4 * star[3] + 12
            ]
            gaussians = []
            for star in alone:
                # A sane start: half-light radius to FWHM.
                values = fitted(above, star[0], star[1], 2 * star[3])
                if values:
                    gaussians.append([star[0], star[1], *values])
                if len(gaussians) == FITTED:
                    break
            strong = found[found[:, 2] > 10]
            table = np.column_stack([strong[:, :4], strong[:, 4] / strong[:, 5], strong[:, 6:]])
            other = segments(name, image, background)
            out["fields"][name] = {
                "all": {"sextractor": len(found), "photutils": len(other)},
                "sextractor": rounded(table, [2, 2, 0, 3, 3, 1, 0]),
                "photutils": rounded(other[other[:, 2] > 10], [2, 2, 0, 3]),
                "fitted": rounded(gaussians, [2, 2, 3, 3, 3, 1]),
            }
    target = HERE.parent / "fixtures" / "stars.json"
    # One row a line would be thousands of lines.
    target.write_text(json.dumps(out, ensure_ascii=False) + "\n")


main()
