"""Laws of the patch's own functions: they hold for every input, not only for those of a book."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from patchstats import heat, kinship, tape
from patchstats.daylight import day_length_hours, extraterrestrial_radiation_mj_m2
from patchstats.ellipsoid import ellipsoid_from_tape, tape_of_ellipsoid
from patchstats.seednames import read_pollen, read_seed_name

TABLES = [t for t in tape.TABLES.values() if t.measure == "over the top"]
# The same examples at every run and no clock, so that a busy machine cannot make a law fail.
law = settings(deadline=None, derandomize=True)
few = settings(law, max_examples=50)
INCHES = st.floats(0.0, 700.0)


@law
@given(st.sampled_from(TABLES), st.lists(INCHES, min_size=2, max_size=20), st.floats(0.0, 10.0), st.floats(0.5, 0.99))
def test_weights_rise_with_the_tape_and_stand_within_their_limits(table, inches, se_cm, level):
    cm = np.sort(inches) * 2.54
    mass = tape.mass_from_tape(cm, table=table, tape_se_cm=se_cm, level=level)
    known = mass.dropna()
    assert (np.diff(known["mass_kg"]) >= 0).all()
    assert (known["mass_kg_low"] <= known["mass_kg"]).all()
    assert (known["mass_kg"] <= known["mass_kg_high"]).all()
    # nothing is made up outside the table, and nothing is dropped inside it
    assert ((mass["flag"] == "") == mass["mass_kg"].notna()).all()
    wider = tape.mass_from_tape(cm, table=table, tape_se_cm=se_cm + 1.0, level=level).dropna()
    assert (wider["mass_kg_high"] >= known["mass_kg_high"]).all()


@law
@given(st.sampled_from([m for m in heat.METHODS if m.endswith(("sine", "triangle"))]), st.floats(-30, 45),
       st.floats(0, 30), st.floats(-30, 45), st.floats(-5, 15), st.floats(1, 30))
def test_cutoffs_stand_in_order_and_within_bounds(method, low, span, after, base, gap):
    days = {c: float(heat.degree_days(low, low + span, base_c=base, ceiling_c=base + gap, method=method, cutoff=c,
                                      next_min_c=after)) for c in heat.CUTOFFS}
    assert 0.0 <= days["vertical"] <= days["intermediate"] + 1e-9
    assert days["intermediate"] <= days["horizontal"] + 1e-9
    assert days["horizontal"] <= gap + 1e-9


@law
@given(st.floats(-90, 90), st.integers(1, 366))
def test_days_have_hours(latitude, day):
    hours = float(day_length_hours(latitude, day))
    assert 0.0 <= hours <= 24.0
    assert float(extraterrestrial_radiation_mj_m2(latitude, day)) >= -1e-9
    assert hours + float(day_length_hours(-latitude, day)) == pytest.approx(24.0, abs=1e-6)


@law
@given(st.text(max_size=60))
def test_any_text_is_read_as_a_seed_name_without_a_fall(text):
    seed = read_seed_name(text)
    assert seed.raw == text
    assert isinstance(seed.name, str)
    read_pollen(text)


@law
@given(st.integers(20, 2900), st.sampled_from(["Quell", "van Thornby", "O'Ashmere", "Dunmore-Elmet"]),
       st.integers(1980, 2030), st.sampled_from(["", "B"]), st.booleans(), st.sampled_from(["est", "*", "DMG", ""]))
def test_a_written_name_is_read_back(weight, surname, year, letter, short, mark):
    shown = f"'{year % 100:02d}" if short else str(year)
    text = " ".join(part for part in (str(weight), letter, surname, shown, mark) if part)
    seed = read_seed_name(text)
    assert (seed.weight, seed.surname, seed.year, seed.letter, seed.doubt) == (weight, surname, year, letter, "")
    again = read_seed_name(seed.name)
    assert again.name == seed.name


@st.composite
def pedigrees(draw):
    size = draw(st.integers(2, 25))
    parent = st.one_of(st.none(), st.integers(0, size - 1))
    return [(str(i), *(None if p is None else str(p) for p in draw(st.tuples(parent, parent)))) for i in range(size)]


@few
@given(pedigrees())
def test_any_pedigree_even_one_that_loops_has_a_sound_matrix(rows):
    pedigree = kinship.build_pedigree(rows)
    a = kinship.relationship_matrix(pedigree).to_numpy()
    assert np.allclose(a, a.T)
    assert (kinship.inbreeding(pedigree).between(0.0, 1.0)).all()
    share = kinship.mendelian_share(pedigree)
    assert ((share > 0.0) & (share <= 1.0)).all()
    # A is T D T', so its determinant is the product of D, and Henderson's inverse is its inverse
    assert np.linalg.slogdet(a)[1] == pytest.approx(np.log(share).sum(), abs=1e-6)
    product = kinship.sparse_inverse(pedigree).toarray() @ a
    assert np.abs(product - np.eye(len(a))).max() < 1e-6
    shuffled = kinship.build_pedigree(rows[::-1])
    if pedigree.faults.empty:
        assert kinship.inbreeding(shuffled)[list(pedigree.names)].tolist() == pytest.approx(
            kinship.inbreeding(pedigree).tolist())


@few
@given(st.tuples(*[st.floats(5.0, 120.0)] * 3), st.floats(0.0, 0.4))
def test_a_body_is_found_back_from_its_tape(axes, flattened):
    body = ellipsoid_from_tape(*tape_of_ellipsoid(*axes, flattened=flattened), flattened=flattened)
    assert isinstance(body, pd.DataFrame)
    assert np.allclose(body.to_numpy()[0], axes, rtol=1e-6)
