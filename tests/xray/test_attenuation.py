"""Attenuation against NIST's tables and Beer and Lambert's law."""

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.xray.attenuation import (
    LOWEST_HU,
    attenuation_curve,
    hounsfield,
    linear_attenuation_per_mm,
    transmission,
)

# mu in 1/cm; NIST X-Ray Mass Attenuation Coefficients, tables 3 and 4 (40, 50, 60, 80, 100 keV); 70 keV, which the
# tables leave out, from the Elam tables of an open library
WATER = {40: 0.2683, 50: 0.2269, 60: 0.2059, 70: 0.1929, 80: 0.1837, 100: 0.1707}
BONE_PER_GRAM = {40: 0.6655, 50: 0.4242, 60: 0.3148, 70: 0.2570, 80: 0.2229, 100: 0.1855}
TITANIUM = {60: 3.452, 70: 2.416, 80: 1.826}
# iron, cm2/g, from the same open library's Elam tables, computed apart from the values in the code
IRON_PER_GRAM = {40: 3.6289, 50: 1.9574, 60: 1.2049, 70: 0.8164, 80: 0.5952, 100: 0.3717}


@pytest.mark.parametrize(("kev", "per_cm"), WATER.items())
def test_water_attenuates_as_in_the_tables(kev, per_cm):
    assert linear_attenuation_per_mm("water", kev) == pytest.approx(per_cm / 10, rel=5e-3)


@pytest.mark.parametrize(("kev", "per_gram"), BONE_PER_GRAM.items())
def test_cortical_bone_attenuates_as_in_the_tables(kev, per_gram):
    # ICRU-44: 1.92 g/cm3
    assert linear_attenuation_per_mm("cortical_bone", kev) == pytest.approx(per_gram * 1.92 / 10, rel=5e-3)


@pytest.mark.parametrize(("kev", "per_cm"), TITANIUM.items())
def test_titanium_attenuates_as_in_the_tables(kev, per_cm):
    assert linear_attenuation_per_mm("titanium", kev) == pytest.approx(per_cm / 10, rel=1e-2)


@pytest.mark.parametrize(("kev", "per_gram"), IRON_PER_GRAM.items())
def test_iron_attenuates_as_in_the_tables(kev, per_gram):
    assert linear_attenuation_per_mm("iron", kev) == pytest.approx(per_gram * 7.874 / 10, rel=5e-3)


@pytest.mark.parametrize(("kev", "hu"), [(60, 1936), (70, 1559), (80, 1330), (100, 1087)])
def test_cortical_bone_has_the_hounsfield_number_of_its_energy(kev, hu):
    # 1000 (mu - mu_water) / mu_water with the values above
    assert hounsfield(linear_attenuation_per_mm("cortical_bone", kev), kev) == pytest.approx(hu, rel=1e-2)


@pytest.mark.parametrize("kev", [50, 60, 80])
def test_the_curve_gives_each_material_its_mu_at_the_energy_of_the_picture(kev):
    curve = attenuation_curve(kev, 70.0)
    assert curve(-1000) == 0
    assert curve(-4000) == 0
    assert curve(0) == pytest.approx(WATER[kev] / 10, rel=5e-3)
    assert curve(1559) == pytest.approx(BONE_PER_GRAM[kev] * 0.192, rel=1e-2)


def test_bone_gains_more_than_water_at_a_lower_energy():
    # a line through water alone would keep their ratio; 60 keV raises it by (0.6044 / 0.2059) / (0.4934 / 0.1929)
    curve = attenuation_curve(60.0, 70.0)
    by_water_alone = float(curve(0)) * (1 + 1559 / 1000)
    assert float(curve(1559)) / by_water_alone == pytest.approx(1.1475, rel=1e-2)


def test_metal_goes_on_rising_beyond_titanium_and_the_curve_never_falls():
    curve = attenuation_curve()
    values = curve(np.arange(-1100, 30000, 7))
    assert (np.diff(values) >= 0).all()
    assert curve(30000) > curve(12000) > linear_attenuation_per_mm("titanium", 60.0)


def test_the_table_is_the_curve_at_every_sixteen_bit_value():
    curve = attenuation_curve()
    table = curve.table
    assert table.shape == (65536,)
    for hu in (-32768, -1000, -500, 0, 137, 1559, 3071, 32767):
        assert table[hu - LOWEST_HU] == pytest.approx(float(curve(hu)), rel=1e-6)


def test_a_threshold_of_air_leaves_what_is_above_it():
    curve, plain = attenuation_curve(air_below_hu=-900.0), attenuation_curve()
    np.testing.assert_array_equal(curve([-1000, -950, -901]), 0.0)
    np.testing.assert_allclose(curve([-900, -500, 0, 700, 20000]), plain([-900, -500, 0, 700, 20000]), rtol=1e-12)


def test_beer_and_lambert():
    # 60 keV: exp(-0.2059 x 2) = 0.66246 through 20 mm of water, exp(-0.6044 x 0.8) = 0.6166 through 8 mm of bone
    water, bone = (linear_attenuation_per_mm(name, 60.0) for name in ("water", "cortical_bone"))
    assert transmission(20 * water) == pytest.approx(0.66246, abs=1e-5)
    assert transmission(8 * bone) == pytest.approx(0.61656, abs=2e-4)
    assert transmission(20 * water + 8 * bone) == pytest.approx(0.66246 * 0.61656, abs=2e-4)


def test_what_is_not_in_the_tables_is_refused():
    for call, code in (
        (lambda: linear_attenuation_per_mm("water", 30.0), "attenuation-energy"),
        (lambda: linear_attenuation_per_mm("water", float("nan")), "attenuation-energy"),
        (lambda: linear_attenuation_per_mm("granite", 60.0), "attenuation-material"),
        (lambda: attenuation_curve(air_below_hu=200.0), "attenuation-air"),
    ):
        with pytest.raises(InputError) as caught:
            call()
        assert caught.value.code == code
