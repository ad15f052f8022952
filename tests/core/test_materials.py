"""Densities agree with what the alloy's metals give and with bounds that hold for any mixture."""

from __future__ import annotations

import pytest

from knotgeom.errors import DesignError
from knotgeom.printing.materials import ELEMENTS, MATERIALS, alloy_density, mass, material


def test_alloy_rule_gives_the_worked_example_of_its_table():
    # 14 carat yellow with silver and copper: 13.33 g/cm3, the example given with the rule (composition: memory)
    low, high = alloy_density({"gold": 585, "copper": 415}), alloy_density({"gold": 585, "silver": 415})
    assert low < 13.33 < high


def test_carat_golds_lie_between_their_metals():
    for name in ("yellow gold 18 ct", "red gold 18 ct"):
        assert alloy_density({"gold": 750, "copper": 250}) - 0.05 <= MATERIALS[name].density_g_cm3 < ELEMENTS["gold"]


def test_handbook_of_another_house_agrees():
    # a handbook of 2006 (quoted at second hand): gold 19.32, silver 10.5, copper 8.94
    for name, density in (("fine gold", 19.32), ("fine silver", 10.5), ("copper", 8.94)):
        assert MATERIALS[name].density_g_cm3 == pytest.approx(density, abs=0.03)


def test_every_material_says_where_its_density_comes_from():
    assert all(one.source and one.name == name for name, one in MATERIALS.items())


def test_cubic_centimetre_weighs_the_density():
    assert mass(1000.0, MATERIALS["sterling silver"]) == pytest.approx(10.36)


def test_unknown_material_is_refused_with_those_that_there_are():
    with pytest.raises(DesignError, match="sterling silver"):
        material("cheese")


def test_parts_that_do_not_add_up_are_refused():
    with pytest.raises(ValueError, match="1000"):
        alloy_density({"gold": 750})
