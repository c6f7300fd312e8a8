"""The fitted tyre curve against SAE 870421, the brush model, limits and finite differences."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import least_squares

from analyzer.vehicle.tyres import peak_rho, wheel_forces

LOAD_N = 4000.0


def forces(kappa, tan_alpha=0.0, load=LOAD_N, **changes):
    figures = dict(
        static_load_N=LOAD_N,
        slip_stiffness=20.0,
        cornering_stiffness=18.0,
        friction_x=1.2,
        friction_y=1.1,
        friction_fall=0.1,
        stiffness_fall=0.08,
        combined_weight=1.0,
        shape=1.4,
    )
    kappa, tan_alpha, load = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(x, float)) for x in (kappa, tan_alpha, load))
    )
    return wheel_forces(kappa=kappa, tan_alpha=tan_alpha, load_N=load, **(figures | changes))


def bakker(slip, *, load_kN, c, a, stiffness, curvature):
    """[BAKKER1987]: Y = D sin(C atan(B (1-E) x + E atan(B x))), D = a1 Fz2 + a2 Fz, slip in its unit (% or deg)."""
    d = a[0] * load_kN**2 + a[1] * load_kN
    b = stiffness / (c * d)
    return d * np.sin(c * np.arctan(b * (1 - curvature) * slip + curvature * np.arctan(b * slip)))


def bakker_longitudinal(slip_percent, load_kN=4.0):
    stiffness = (49.6 * load_kN**2 + 226 * load_kN) * np.exp(-0.069 * load_kN)
    curvature = -0.006 * load_kN**2 + 0.056 * load_kN + 0.486
    return bakker(
        slip_percent, load_kN=load_kN, c=1.65, a=(-21.3, 1144), stiffness=stiffness, curvature=curvature
    )  # fmt: skip


def bakker_lateral(angle_deg, load_kN=4.0):
    stiffness = 1078 * np.sin(1.82 * np.arctan(0.208 * load_kN))
    curvature = -0.354 * load_kN + 0.707
    return bakker(angle_deg, load_kN=load_kN, c=1.30, a=(-22.1, 1011), stiffness=stiffness, curvature=curvature)


def test_the_published_formula_gives_the_published_forces():
    # [BAKKER1987] coefficients read; values worked out from them
    assert bakker_longitudinal(10.0) == pytest.approx(4234.4, abs=0.5)
    assert bakker_longitudinal(100.0) == pytest.approx(2898.6, abs=0.5)
    assert bakker_lateral(5.0) == pytest.approx(3389.6, abs=0.5)


@pytest.mark.parametrize("shape", [1.1, 1.3, 1.65])
def test_the_curve_is_the_published_formula_without_curvature(shape):
    # [BAKKER1987] with E = 0, against theoretical slip kappa/(1 + kappa)
    kappa = np.linspace(-0.2, 0.6, 81)
    theoretical = kappa / (1 + kappa)
    peak, stiffness = 1.2 * LOAD_N, 20.0 * LOAD_N
    expected = bakker(theoretical, load_kN=1.0, c=shape, a=(0.0, peak), stiffness=stiffness, curvature=0.0)
    assert forces(kappa, shape=shape).longitudinal == pytest.approx(expected, abs=1e-3)


def fitted(target, slip, of):
    """Stiffness, friction and shape by least squares: what the joint fit is free to do."""

    def force(p):
        return of(slip, p)

    found = least_squares(lambda p: force(p) - target, [20.0, 1.0, 1.4], x_scale=[10, 1, 1])
    return found.x, force(found.x)


def test_the_curve_can_be_the_published_tyre_along():
    # up to 20 % slip, where a car on a lap is; the published 10 % value to 2 %, everything to 4 % of the peak
    slip = np.linspace(0.005, 0.20, 60)
    target = bakker_longitudinal(100 * slip)
    (_, friction, _), got = fitted(
        target, slip, lambda s, p: forces(s, slip_stiffness=p[0], friction_x=p[1], shape=p[2]).longitudinal
    )
    assert np.interp(0.10, slip, got) == pytest.approx(4234.4, rel=0.02)
    assert np.abs(got - target).max() < 0.04 * 4235.2
    assert friction * LOAD_N == pytest.approx(4235.2, rel=0.03)


def test_the_curve_can_be_the_published_tyre_across():
    angle = np.radians(np.linspace(0.2, 10, 60))
    target = bakker_lateral(np.degrees(angle))
    _, got = fitted(
        target,
        np.tan(angle),
        lambda s, p: forces(0.0, s, cornering_stiffness=p[0], friction_y=p[1], shape=p[2]).lateral,
    )
    assert np.interp(np.radians(5), angle, got) == pytest.approx(3389.6, rel=0.02)
    assert np.abs(got - target).max() < 0.03 * 3690.4


# [PACEJKA] brush model (recalled, here integrated): C 8e4 N, mu 1, F_z 4000 N
BRUSH = ((0.02, 1396.148), (0.05, 2814.815), (0.10, 3851.852), (0.15, 4000.0))


@pytest.mark.parametrize("sigma, published_N", BRUSH)
def test_brush_values_are_the_integral_of_a_parabolic_contact(sigma, published_N):
    half = 0.06  # any contact length gives the same force
    tread = 8e4 / (2 * half**2)

    def stress(x):
        return min(tread * sigma * (half - x), 3 * LOAD_N / (4 * half) * (1 - (x / half) ** 2))

    total, _ = quad(stress, -half, half, limit=400, points=[half - 1e-9 - 2 * half * min(1, sigma / 0.15)])
    assert total == pytest.approx(published_N, rel=1e-4)


def test_the_curve_stays_near_a_brush_tyre_of_the_same_stiffness_and_friction():
    # neither stiffness nor friction is moved: only the shape is ours; a tenth is what the form differs by
    sigma, published = np.array(BRUSH).T
    got = forces(sigma / (1 - sigma), slip_stiffness=20.0, friction_x=1.0, shape=1.2).longitudinal
    assert got == pytest.approx(published, rel=0.10)
    assert got[0] > published[0]  # a sine leaves its tangent later than a brush


def test_peak_is_where_and_as_high_as_stated():
    shape = 1.4
    rho = peak_rho(shape)
    sigma = rho * 1.2 / 20.0
    at_peak = forces([sigma / (1 - sigma) * q for q in (0.98, 1.0, 1.02)], shape=shape)
    assert at_peak.longitudinal[1] == pytest.approx(1.2 * LOAD_N, rel=1e-6)
    assert at_peak.longitudinal[1] > at_peak.longitudinal[[0, 2]].max()
    assert at_peak.use[1] == pytest.approx(1.0, rel=1e-6)


def test_small_slip_is_linear_and_combined_slip_stays_on_the_ellipse():
    small = forces(1e-5, 1e-5, friction_fall=0.0, stiffness_fall=0.0)
    assert small.longitudinal == pytest.approx(20.0 * LOAD_N * 1e-5, rel=1e-3)
    assert small.lateral == pytest.approx(18.0 * LOAD_N * 1e-5, rel=1e-3)
    kappa, slope = np.meshgrid(np.linspace(-0.3, 0.5, 40), np.linspace(-0.4, 0.4, 41))
    there = forces(kappa.ravel(), slope.ravel())
    assert np.hypot(there.longitudinal / 1.2, there.lateral / 1.1).max() <= LOAD_N * (1 + 1e-9)
    # drive pushes forward, and the lateral force falls when slip uses the tyre
    assert (np.sign(there.longitudinal) == np.sign(kappa.ravel())).all()
    assert forces(0.1, 0.1).lateral < forces(0.0, 0.1).lateral


def test_friction_and_stiffness_fall_with_load_as_stated():
    heavier = forces(1e-6, load=1.5 * LOAD_N).longitudinal / forces(1e-6).longitudinal
    assert heavier == pytest.approx(1.5 * (1 - 0.08 * 0.5), rel=1e-6)
    sigma = np.linspace(0.01, 0.4, 2000)
    peaks = [forces(sigma, load=q * LOAD_N).longitudinal.max() / (q * LOAD_N) for q in (1.0, 1.5)]
    assert peaks[1] / peaks[0] == pytest.approx(1 - 0.1 * 0.5, rel=1e-4)


@pytest.mark.parametrize("load", [1500.0, 4000.0, 6500.0])
def test_slopes_are_derivatives(load):
    rng = np.random.default_rng(3)
    kappa, slope = rng.uniform(-0.2, 0.4, 200), rng.uniform(-0.3, 0.3, 200)
    here, step = forces(kappa, slope, load), 1e-6
    for name, by in (("longitudinal", "long"), ("lateral", "lat")):
        ahead, behind = (getattr(forces(kappa + q, slope, load), name) for q in (step, -step))
        assert getattr(here, f"d{by}_dkappa") == pytest.approx((ahead - behind) / (2 * step), rel=1e-4, abs=2.0)
        ahead, behind = (getattr(forces(kappa, slope + q, load), name) for q in (step, -step))
        assert getattr(here, f"d{by}_dtan_alpha") == pytest.approx((ahead - behind) / (2 * step), rel=1e-4, abs=2.0)


def kept_stiffness(tan_alpha, weight):
    """Longitudinal stiffness under lateral slip, over that without."""
    under = forces(1e-6, tan_alpha, combined_weight=weight).dlong_dkappa[0]
    return under / forces(1e-6, 0.0, combined_weight=weight).dlong_dkappa[0]


def test_the_weight_of_combined_slip_spans_similarity_to_independence():
    assert kept_stiffness(0.08, 0.0) == pytest.approx(1.0, abs=1e-6)
    kept = [kept_stiffness(0.08, w) for w in (0.0, 0.35, 0.7, 1.0)]
    assert (np.diff(kept) < -0.03).all()
    # lateral forces do not know of it
    assert forces(0.02, 0.06, combined_weight=0.3).lateral == pytest.approx(forces(0.02, 0.06).lateral)


def test_the_weight_lets_the_curve_keep_what_a_measured_tyre_keeps():
    # [PACEJKA] section 4.3.2, weighting G = cos(C atan(B tan(alpha))) at small slip, example tyre B = 12.35, C = 1.09
    # (recalled); its lateral peak is near 0.11 rad, so the curve here is given the same peak
    def measured(alpha):
        return np.cos(1.09 * np.arctan(12.35 * np.tan(alpha)))

    shape = 1.3
    peak_slip = np.tan(0.11)
    cornering = 1.1 * peak_rho(shape) / peak_slip

    def kept(alpha, weight):
        same = dict(shape=shape, cornering_stiffness=cornering, combined_weight=weight)
        return forces(1e-6, np.tan(alpha), **same).dlong_dkappa[0] / forces(1e-6, 0.0, **same).dlong_dkappa[0]

    angles = np.array([0.03, 0.05, 0.08])
    similarity = np.array([kept(a, 1.0) for a in angles])
    weighted = np.array([kept(a, 0.5) for a in angles])
    assert (measured(angles) - similarity > 0.1).all()  # full similarity loses too much
    assert np.abs(weighted - measured(angles)).max() < 0.05
