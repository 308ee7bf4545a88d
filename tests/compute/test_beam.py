"""Beam theory against published tables, 40-digit arithmetic and a finite-element beam of a general-purpose library."""

from __future__ import annotations

import math
from itertools import pairwise

import mpmath
import numpy as np
import pytest
import scipy.linalg
from skfem import Basis, BilinearForm, ElementLineHermite, MeshLine
from skfem.helpers import dd

from reportgen.compute.modes.beam import (
    antinodes,
    base_driven_nodes,
    base_driven_shape,
    characteristic,
    frequency_ratio,
    mode_shape,
    newborn_node,
    nodes,
    root,
    roots,
    timoshenko_ratio,
)
from reportgen.errors import ComputeError
from reportgen.records.job import Boundary

CF, CP, CC, FF, PP = (
    Boundary.CLAMPED_FREE,
    Boundary.CLAMPED_PINNED,
    Boundary.CLAMPED_CLAMPED,
    Boundary.FREE_FREE,
    Boundary.PINNED_PINNED,
)

# Blevins, Formulas for Natural Frequency and Mode Shape, Table 8-1 (values from memory, the same in Thomson, Theory of
# Vibration, App. D).
BLEVINS = {
    CF: (1.87510407, 4.69409113, 7.85475744, 10.99554073, 14.13716839),
    CC: (4.73004074, 7.85320462, 10.9956079, 14.1371655, 17.2787597),
    FF: (4.73004074, 7.85320462, 10.9956079, 14.1371655, 17.2787597),
    CP: (3.92660231, 7.06858275, 10.21017612, 13.35176878, 16.49336143),
    PP: (math.pi, 2 * math.pi, 3 * math.pi, 4 * math.pi, 5 * math.pi),
}


@pytest.mark.parametrize("boundary", Boundary)
def test_roots_of_the_handbook(boundary):
    assert roots(boundary, 5) == pytest.approx(BLEVINS[boundary], rel=1e-8)


def frequency_equation(boundary, z, mu):
    """The frequency equations as they are printed, not divided by anything; 40 digits keep them from cancelling."""
    cos, sin, cosh, sinh = mpmath.cos(z), mpmath.sin(z), mpmath.cosh(z), mpmath.sinh(z)
    if boundary is CF:
        return 1 + cos * cosh + mu * z * (cos * sinh - sin * cosh)
    if boundary is CP:
        return sin * cosh - cos * sinh
    return sin if boundary is PP else cos * cosh - 1


@pytest.mark.parametrize("boundary, mu", [*((b, 0.0) for b in Boundary), (CF, 0.01), (CF, 1.3), (CF, 50.0)])
def test_roots_to_forty_digits(boundary, mu):
    with mpmath.workdps(40):
        for mode in (1, 2, 3, 7, 10, 20, 40):
            found = root(boundary, mode, mu)
            exact = mpmath.findroot(lambda z: frequency_equation(boundary, z, mpmath.mpf(mu)), found, verify=False)
            assert found == pytest.approx(float(exact), rel=1e-12)


@pytest.mark.parametrize("boundary, mu", [*((b, 0.0) for b in Boundary), (CF, 0.5), (CF, 1000.0)])
def test_no_root_is_passed_over(boundary, mu):
    """As many sign changes of the frequency equation below each root as its number says."""
    found = roots(boundary, 12, mu)
    grid = np.linspace(0.01, found[-1] + 0.1, 200_001)
    values = np.array([characteristic(boundary, z, mu) for z in grid[::40]])
    changes = grid[::40][1:][values[1:] * values[:-1] < 0]
    # z near 0 is the rigid-body root of the free ends, not an elastic mode.
    changes = changes[changes > (1.0 if boundary in (FF, CC) else 0.05)]
    assert len(changes) == 12
    assert changes == pytest.approx(found, abs=0.02)


def test_tip_mass_roots_as_published():
    """Math. Probl. Eng. 2017, 1568019, Table 1, tip mass equal to the beam's: squares of the roots."""
    squares = [z**2 for z in roots(CF, 5, 1.0)]
    assert squares == pytest.approx([1.557298, 16.25009, 50.89584, 105.1983, 179.2320], rel=5e-7)


def test_heavy_tip_becomes_a_pin_and_no_tip_a_free_end():
    assert roots(CF, 6, 0.0)[1:] == pytest.approx((*BLEVINS[CF][1:], 17.2787595), rel=1e-8)
    assert roots(CF, 6, 1e7)[1:] == pytest.approx(roots(CP, 5), rel=1e-6)
    # Lumped mass on a spring: z1⁴ → 3/μ (Rayleigh)
    assert root(CF, 1, 1e5) == pytest.approx((3.0 / (1e5 + 33 / 140)) ** 0.25, rel=1e-6)


# Thomson, Theory of Vibration, App. D: f2/f1 and f3/f1 of the cantilever
def test_ratios_as_printed():
    assert frequency_ratio(CF, 2) == pytest.approx(6.2669, abs=5e-5)
    assert frequency_ratio(CF, 3) == pytest.approx(17.5475, abs=5e-5)


# Blevins, Table 8-1 shapes; positions to 4 places, the second cantilever node as 0.783 (0.774 is a misprint that is
# widely copied).
NODES = {
    (CF, 2): (0.7834,),
    (CF, 3): (0.5035, 0.8677),
    (CF, 4): (0.3583, 0.6441, 0.9056),
    (FF, 1): (0.2242, 0.7758),
    (FF, 2): (0.1321, 0.5, 0.8679),
    (FF, 3): (0.0944, 0.3558, 0.6442, 0.9056),
    (CC, 2): (0.5,),
    (CC, 3): (0.3584, 0.6416),
    (CP, 2): (0.5575,),
    (CP, 3): (0.3860, 0.6922),
    (PP, 3): (1 / 3, 2 / 3),
}


@pytest.mark.parametrize("boundary, mode", NODES)
def test_nodes_of_the_handbook(boundary, mode):
    assert nodes(boundary, mode) == pytest.approx(NODES[boundary, mode], abs=5.1e-5)


def exact_shape(boundary, z, x):
    """The shape in hyperbolic functions as printed, with 60 digits."""
    zx = z * x
    if boundary is PP:
        return mpmath.sin(zx)
    if boundary is CF:
        sigma = (mpmath.cosh(z) + mpmath.cos(z)) / (mpmath.sinh(z) + mpmath.sin(z))
    else:
        sigma = (mpmath.cosh(z) - mpmath.cos(z)) / (mpmath.sinh(z) - mpmath.sin(z))
    sign = 1 if boundary is FF else -1
    return mpmath.cosh(zx) + sign * mpmath.cos(zx) - sigma * (mpmath.sinh(zx) + sign * mpmath.sin(zx))


@pytest.mark.parametrize("boundary", Boundary)
@pytest.mark.parametrize("mode", [1, 2, 6, 15, 40])
def test_shapes_do_not_cancel(boundary, mode):
    x = np.linspace(0, 1, 23)
    with mpmath.workdps(120):
        z = mpmath.findroot(lambda z: frequency_equation(boundary, z, 0), root(boundary, mode), verify=False)
        exact = np.array([float(exact_shape(boundary, z, mpmath.mpf(float(each)))) for each in x])
    ours = mode_shape(boundary, mode, x)
    scale = np.dot(ours, exact) / np.dot(exact, exact)
    assert ours == pytest.approx(scale * exact, abs=2e-8)
    assert np.max(np.abs(mode_shape(boundary, mode, np.linspace(0, 1, 20_001)))) == pytest.approx(1.0, abs=1e-4)


@pytest.mark.parametrize("mu", [0.0, 0.1, 1.0, 5.0])
def test_a_tip_mass_keeps_the_count_and_pushes_the_last_node_outward(mu):
    found = [nodes(CF, mode, mu) for mode in range(1, 11)]
    assert [len(each) for each in found] == list(range(10))
    published = {0.1: 0.8411, 1.0: 0.9527, 5.0: 0.9884, 0.0: 0.7834}
    assert found[1][0] == pytest.approx(published[mu], abs=6e-5)


@pytest.mark.parametrize("boundary", Boundary)
def test_antinodes_lie_between_nodes_and_ends(boundary):
    """Between two neighbouring zeros lies one extreme (Rolle); free ends are extremes as well."""
    for mode in range(1, 9):
        zeros = nodes(boundary, mode)
        extremes = antinodes(boundary, mode)
        held_first, held_last = boundary is not FF, boundary not in (CF, FF)
        marks = [*([0.0] if held_first else []), *zeros, *([1.0] if held_last else [])]
        inner = [each for each in extremes if 0 < each < 1]
        assert all(sum(low < each < high for each in inner) == 1 for low, high in pairwise(marks))
        assert len(extremes) == len(marks) - 1 + (not held_first) + (not held_last)


# A finite-element beam (scikit-fem, cubic Hermite elements) as second opinion


def finite_elements(elements: int = 60):
    basis = Basis(MeshLine(np.linspace(0, 1, elements + 1)), ElementLineHermite())
    stiffness = BilinearForm(lambda u, v, w: dd(u)[0][0] * dd(v)[0][0]).assemble(basis).toarray()
    mass = BilinearForm(lambda u, v, w: u * v).assemble(basis).toarray()
    return basis, stiffness, mass


def held(basis, boundary):
    first, last = basis.get_dofs(lambda x: x[0] == 0.0), basis.get_dofs(lambda x: x[0] == 1.0)
    at = {
        CF: [first.all()],
        CC: [first.all(), last.all()],
        CP: [first.all(), last.all("u")],
        PP: [first.all("u"), last.all("u")],
        FF: [],
    }
    return np.concatenate(at[boundary]) if at[boundary] else np.array([], dtype=int)


@pytest.mark.parametrize("boundary, mu", [*((b, 0.0) for b in Boundary), (CF, 0.3), (CF, 2.0)])
def test_frequencies_of_a_finite_element_beam(boundary, mu):
    basis, stiffness, mass = finite_elements()
    tip = basis.get_dofs(lambda x: x[0] == 1.0).all("u")[0]
    mass[tip, tip] += mu
    free = np.setdiff1d(np.arange(basis.N), held(basis, boundary))
    squares = scipy.linalg.eigh(stiffness[np.ix_(free, free)], mass[np.ix_(free, free)], eigvals_only=True)
    elastic = squares[2:] if boundary is FF else squares
    assert np.sqrt(elastic[:8]) == pytest.approx([z**2 for z in roots(boundary, 8, mu)], rel=1e-4)


@pytest.mark.parametrize(
    "boundary, mu, ratio", [(CF, 0.0, 1.05), (CF, 0.0, 7.0), (CF, 0.5, 1.2), (CP, 0.0, 1.3), (CC, 0, 2)]
)
def test_absolute_motion_of_a_finite_element_beam_driven_at_its_supports(boundary, mu, ratio):
    basis, stiffness, mass = finite_elements()
    tip = basis.get_dofs(lambda x: x[0] == 1.0).all("u")[0]
    mass[tip, tip] += mu
    z = root(boundary, 1, mu) * math.sqrt(ratio)
    dynamic = stiffness - z**4 * mass
    supports = held(basis, boundary)
    moving = np.zeros(basis.N)
    ends = [basis.get_dofs(lambda x: x[0] == 0.0).all("u")]
    ends += [] if boundary is CF else [basis.get_dofs(lambda x: x[0] == 1.0).all("u")]
    moving[np.concatenate(ends)] = 1.0
    free = np.setdiff1d(np.arange(basis.N), supports)
    moving[free] = np.linalg.solve(dynamic[np.ix_(free, free)], -dynamic[np.ix_(free, supports)] @ moving[supports])
    deflection = moving[basis.nodal_dofs[0]]
    x = basis.mesh.p[0]
    assert base_driven_shape(boundary, z, x, mu) == pytest.approx(deflection, abs=1e-3 * np.max(np.abs(deflection)))
    signs = np.flatnonzero(deflection[1:] * deflection[:-1] < 0)
    assert len(base_driven_nodes(boundary, ratio, mu)) == len(signs)


def test_a_node_is_born_at_the_clamp_above_each_resonance():
    """For a cantilever the nodes of absolute motion are as many as the resonances below the drive frequency."""
    for mu in (0.0, 1.0):
        squares = [frequency_ratio(CF, mode, mu) for mode in range(1, 6)]
        for ratio in (0.5, 0.97, 1.03, 2.0, 6.0, 8.0, 16.0, 20.0, 33.0, 36.0):
            below = sum(each < ratio for each in squares)
            assert len(base_driven_nodes(CF, ratio, mu)) == below, (mu, ratio)


@pytest.mark.parametrize("ratio, x", [(1.05, 0.193), (1.2, 0.369), (1.5, 0.524), (2, 0.632), (3, 0.710), (6, 0.779)])
def test_where_the_new_node_stands(ratio, x):
    """Computed apart from this program with a general equation solver; undamped."""
    assert newborn_node(CF, 1, ratio) == pytest.approx(x, abs=1e-3)


def test_no_new_node_below_a_resonance_or_without_a_clamp():
    assert newborn_node(CF, 1, 0.98) is None
    assert newborn_node(FF, 1, 1.1) is None
    assert newborn_node(PP, 1, 1.1) is None


def test_what_cannot_be():
    with pytest.raises(ComputeError, match=r"beam\.numbered-from-1"):
        root(CF, 0)
    with pytest.raises(ComputeError, match=r"beam\.negative-tip-mass"):
        root(CF, 1, -0.1)
    with pytest.raises(ComputeError, match=r"beam\.no-support"):
        base_driven_shape(FF, 3.0, [0.5])
    with pytest.raises(ComputeError, match=r"beam\.no-bound"):
        base_driven_shape(CF, root(CF, 1), [0.5])


# Shear and rotary inertia


def timoshenko_grid(boundary: Boundary, slenderness: float, poisson: float = 0.3) -> np.ndarray:
    """Lowest ω of a Timoshenko beam, L = ρA = EI = 1, on a staggered grid of second order (numpy and scipy alone)."""
    n = 500
    h = 1.0 / n
    r2 = slenderness**2 / 12.0
    shear = 10.0 * (1.0 + poisson) / (12.0 + 11.0 * poisson) / (2.0 * (1.0 + poisson)) / r2
    # w at the grid points, θ at the midpoints: shear strain needs w' − θ at midpoints, curvature θ' at the points.
    difference = (np.eye(n, n + 1, 1) - np.eye(n, n + 1)) / h
    curvature = np.zeros((n + 1, n))
    curvature[1:-1] = (np.eye(n - 1, n, 1) - np.eye(n - 1, n)) / h
    weight = np.full(n + 1, h)
    weight[[0, -1]] = h / 2
    if boundary is CF:
        curvature[0, 0] = 2.0 / h
    k_ww = shear * h * difference.T @ difference
    k_wt = -shear * h * difference.T
    k_tt = shear * h * np.eye(n) + curvature.T @ (weight[:, None] * curvature)
    stiffness = np.block([[k_ww, k_wt], [k_wt.T, k_tt]])
    mass = np.concatenate([weight, np.full(n, r2 * h)])
    keep = np.ones(2 * n + 1, dtype=bool)
    keep[0] = False
    keep[n] = boundary is not PP
    if boundary is FF:
        keep[0] = True
    scale = 1.0 / np.sqrt(mass[keep])
    matrix = stiffness[np.ix_(keep, keep)] * scale[:, None] * scale[None, :]
    squares = scipy.linalg.eigh(matrix, eigvals_only=True, subset_by_index=(0, 5))
    return np.sqrt(squares[2:5] if boundary is FF else squares[:3])


@pytest.mark.parametrize("boundary", [PP, CF, FF])
def test_shear_and_rotary_inertia_against_a_numerical_beam(boundary):
    """What they take off is right to a tenth of itself as long as it is small (here below 5 %)."""
    loss = 1.0 - timoshenko_grid(boundary, 0.05) / np.array([z**2 for z in roots(boundary, 3)])
    ours = np.array([1.0 - timoshenko_ratio(boundary, mode, 0.05) for mode in (1, 2, 3)])
    assert np.max(loss) < 0.06
    assert ours == pytest.approx(loss, rel=0.1)


def test_shear_and_rotary_inertia_to_the_first_order():
    """Weaver, Timoshenko and Young, Vibration Problems in Engineering: 1 − ½(nπ r/L)²(1 + E/κG) for a slender beam."""
    for mode in (1, 2, 3):
        a = (mode * math.pi) ** 2 * 0.01**2 / 12.0
        kappa = 10 * 1.3 / (12 + 11 * 0.3)
        first_order = 1.0 - 0.5 * a * (1.0 + 2.6 / kappa)
        assert timoshenko_ratio(PP, mode, 0.01) == pytest.approx(first_order, abs=30 * a**2)
    losses = [1 - timoshenko_ratio(CF, mode, 0.02, 1.0) for mode in range(1, 9)]
    assert all(low < high for low, high in pairwise(losses))
