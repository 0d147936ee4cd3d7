"""Options of a line of 500 towers against one matrix for each tower and treatment, as a ratio of processor times."""

from time import process_time

import numpy as np
from treatment_sites import towers

from tests.reference.treated_footing import treated_resistance
from towerlib.config.sections import Treatments
from towerlib.treatments.catalogue import shipped
from towerlib.treatments.prediction import banded, digs, legs_at, lengths, metal, response

TOWERS, SAMPLE, LEAST, MOST_S = 500, 20, 5, 10.0
SETTINGS = Treatments()
OFFERED = [treatment for treatment in shipped() if digs(treatment)][:12]


def line():
    """Towers of many kinds in uniform soil."""
    rng = np.random.default_rng(1)
    spacing_m = np.round(2 * rng.uniform(4.0, 12.0, TOWERS)) / 2
    more = {"spacing_m": spacing_m, "width_m": spacing_m}
    return towers(rng.lognormal(3, 0.7, TOWERS), rng.lognormal(6, 0.8, TOWERS), **more)


def options(sites):
    """Every prediction with its band."""
    return [banded(response(one, sites, SETTINGS, lengths(one, sites)), sites)[0] for one in OFFERED]


def one_by_one(sites):
    """The middle of each band, tower by tower."""
    return np.array(
        [
            [
                treated_resistance(
                    metal(one, site.spacing_m, SETTINGS, length_m),
                    legs_at(site.legs, site.spacing_m),
                    site.footing_ohm,
                    site.upper_ohm_m,
                )
                for site, length_m in zip(sites.itertuples(), lengths(one, sites), strict=True)
            ]
            for one in OFFERED
        ]
    )


def seconds(call):
    """Processor time of one call, and what it gave."""
    begin = process_time()
    found = call()
    return process_time() - begin, found


def test_options_of_500_towers():
    sites = line()
    options(sites.head(5))
    fast_s, found = min((seconds(lambda: options(sites)) for _ in range(3)), key=lambda pair: pair[0])
    slow_s, exact = seconds(lambda: one_by_one(sites.head(SAMPLE)))
    ratio = slow_s * TOWERS / SAMPLE / fast_s
    print(
        f"{TOWERS} towers, {len(OFFERED)} treatments: {fast_s:.2f} s, {ratio:.0f} times as fast as one by one"
    )
    # The rest lies where legs that touch are taken as one hemisphere.
    assert np.quantile(np.abs(np.array(found)[:, :SAMPLE] / exact - 1), 0.9) < 4e-3
    assert ratio > LEAST
    assert fast_s < MOST_S
