"""Fit elliptical Moffats to many stars at once, with one index shared by the frame."""

from dataclasses import dataclass

import numpy as np

from runlog.measure.pixels import F32, F64, Mask

BETA_START = 3.5
GAMMA_RANGE = (1 / 15, 1 / 1.3)  # of 1/beta: from almost a Gaussian to wings of infinite light
COARSE_QUADRATURE_BELOW_PX = 2.1  # nine points a pixel below, four above
QUADRATURE_BELOW_PX = 3.0  # narrower stars need more than the pixel's second-order correction
MODEL_ERROR = 0.02  # of the model's own value: real stars are no exact Moffats
REWEIGH = (2, 4)  # rounds at which the pixels' weights are taken from the model
SETTLED = 5e-4  # change of log width at which nothing more is to be gained
PARAMETERS = 6  # x, y, log of the two inverse half widths p and q, shear s, amplitude
SHARED = PARAMETERS  # where the slopes by 1/beta stand, behind those by a star's own parameters


@dataclass(frozen=True, slots=True)
class Stamps:
    """Stars cut out for fitting, all of one size, in fit pixels."""

    values: F32  # (n, m) sky-subtracted light
    weights: F32  # (n, m): 1 where the pixel counts, 0 where not
    dx: F32  # (m,) pixel centres relative to the stamp's central pixel
    dy: F32
    noise: F64  # (n,) of one fit pixel
    around: F64  # (n,) light in a ring well outside the star, sky and star's wings
    ring_px: float  # radius of that ring

    def pick(self, which: Mask) -> "Stamps":
        """Some of the stars."""
        return Stamps(
            self.values[which], self.weights[which], self.dx, self.dy,
            self.noise[which], self.around[which], self.ring_px,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Fits:
    """Fitted stars; rows where `good` is False did not converge to anything believable."""

    params: F64  # (n, 6)
    covariance: F64  # (n, 6, 6)
    beta: float
    chi2: F64  # per degree of freedom
    left_over: F64  # share of each star's energy the model does not explain, noise taken out
    good: Mask
    residuals: F32  # (n, m)


@dataclass(frozen=True, slots=True)
class Modelled:
    """The model of every stamp, and its slopes by the six parameters and by 1/beta."""

    light: F32  # (n, m)
    slopes: F32  # (n, 7, m)


def fit_moffats(stamps: Stamps, fwhm_px: float, rounds: int = 14) -> Fits:
    """
    Fit I = a (1 + k (u^2 + v^2))^-beta to every stamp by damped least squares.

    u = e^p dx + s dy and v = e^q dy, so the ellipse is always a real one; k = 2^(1/beta) - 1
    makes it the half-maximum ellipse, which hardly moves when beta does. The shared 1/beta is
    eliminated by a Schur complement in each round, which makes the joint fit as cheap as the
    separate ones. Below 3 px the model is integrated over the pixel by Gauss-Legendre points,
    above by the second-order term (1/24) of the pixel's own variance. The sky is not fitted,
    for it would take the wings: it is the ring's light less what the model puts there.

    Pixels are reckoned in single precision, as they are stored (its rounding is a hundredth of
    the sky's noise even at full scale); the steps are solved in double.

    Parameters
    ----------
    stamps : Stamps
        Pixels of n stars, less their sky, ADU.
    fwhm_px : float
        First guess of the width, in fit pixels.
    rounds : int
        Most iterations.

    Returns
    -------
    Fits
        Lengths in fit pixels, amplitudes in ADU, covariances of the fit's own noise.

    References
    ----------
    The profile: Moffat 1969, A&A 3, 455. Damping: Marquardt 1963, J. SIAM 11, 431 (from memory).
    """
    nodes = quadrature(fwhm_px)
    gamma = 1 / BETA_START
    params = first_guess(stamps, fwhm_px)
    damping = np.full(len(params), 1e-3)
    variance = weight_variance(stamps, None, 0.0)
    step_limit = np.array([fwhm_px / 4, fwhm_px / 4, 0.4, 0.4, 0.4 * 2 / fwhm_px])
    model = evaluate(params, gamma, stamps, nodes)
    for turn in range(rounds):
        if turn in REWEIGH:
            per_adu = light_noise(stamps, model.light, variance)
            variance = weight_variance(stamps, model.light, per_adu)
        step, gamma_step = solve(stamps, model, variance, damping)
        limit_step(step, step_limit)
        trial = params + step
        new_gamma = float(np.clip(gamma + np.clip(gamma_step, -0.1, 0.1), *GAMMA_RANGE))
        cost = weighted_cost(stamps, model.light, variance)
        model = evaluate(trial, new_gamma, stamps, nodes)
        worse = weighted_cost(stamps, model.light, variance) > 1.3 * cost
        damping = np.where(worse, damping * 30, damping * 0.2).clip(1e-6, 1e3)
        if worse.any():
            trial[worse] = params[worse]
            model = evaluate(trial, new_gamma, stamps, nodes)
        moved = np.percentile(np.abs(trial - params)[:, 2:5], 90) + abs(new_gamma - gamma)
        params, gamma = trial, new_gamma
        if turn > max(REWEIGH) and moved < SETTLED:
            break
    return judged(stamps, params, gamma, model, variance, fwhm_px)


def quadrature(fwhm_px: float) -> list[tuple[float, float, float]]:
    """
    Points and weights over the pixel: (x, y, weight); the centre alone for wide stars.

    Parameters
    ----------
    fwhm_px : float
        In fit px.

    Returns
    -------
    list of (float, float, float)
        px from the pixel's middle; weights add up to 1.

    References
    ----------
    Gauss-Legendre points of two and three: Abramowitz and Stegun 1964, table 25.4.
    """
    if fwhm_px >= QUADRATURE_BELOW_PX:
        return [(0.0, 0.0, 1.0)]
    if fwhm_px >= COARSE_QUADRATURE_BELOW_PX:
        at = 0.5 / np.sqrt(3)
        line = [(-at, 0.5), (at, 0.5)]
    else:
        at = 0.5 * np.sqrt(0.6)
        line = [(-at, 5 / 18), (0.0, 8 / 18), (at, 5 / 18)]
    return [(x, y, wx * wy) for x, wx in line for y, wy in line]


def first_guess(stamps: Stamps, fwhm_px: float) -> F64:
    """Round stars of the guessed width at the light's centre."""
    count = len(stamps.values)
    params = np.zeros((count, PARAMETERS))
    near = np.exp(-(stamps.dx**2 + stamps.dy**2) / (0.5 * fwhm_px**2)) * stamps.weights
    light = np.maximum(stamps.values, 0) * near
    total = np.maximum(light.sum(axis=1), 1e-30)
    params[:, 0] = np.clip((light @ stamps.dx) / total, -1, 1)
    params[:, 1] = np.clip((light @ stamps.dy) / total, -1, 1)
    params[:, 2] = params[:, 3] = -np.log(fwhm_px / 2)
    params[:, 5] = np.max(stamps.values * stamps.weights, axis=1)
    return params


def evaluate(
    params: F64, gamma: float, stamps: Stamps, nodes: list[tuple[float, float, float]]
) -> Modelled:
    """
    Reckon the model of every stamp and its slopes.

    Parameters
    ----------
    params : ndarray, shape (n, 6)
        x, y (fit px), p, q, s (one over fit px) and amplitude (ADU) of each star.
    gamma : float
        1/beta, shared.
    stamps : Stamps
        Where their pixels are.
    nodes : list of (x, y, weight)
        From `quadrature`.

    Returns
    -------
    Modelled
        Light and slopes of each pixel, ADU and ADU over the parameters' units.
    """
    x, y, p, q, s, amplitude = (column[:, None] for column in params.T.astype(np.float32))
    beta, k = np.float32(1 / gamma), np.float32(2**gamma - 1)
    by_k = np.float32(2**gamma * np.log(2) / gamma)
    ep, eq = np.exp(p), np.exp(q)
    slopes = np.zeros((len(params), PARAMETERS + 1, len(stamps.dx)), np.float32)
    by_u, by_v, by_p, by_q, by_s, shapes, by_gamma = slopes.transpose(1, 0, 2)
    for node_x, node_y, weight in nodes:
        dx, dy = stamps.dx + np.float32(node_x) - x, stamps.dy + np.float32(node_y) - y
        u, v = ep * dx + s * dy, eq * dy
        square = u * u + v * v
        base = 1 + k * square
        log_base = np.log(base)
        shape = np.exp(-beta * log_base)
        shape *= np.float32(weight)
        fall = shape / base
        shapes += shape
        by_gamma += shape * (log_base * beta**2) - fall * square * by_k
        u *= fall
        by_u += u
        by_s += u * dy
        by_p += u * dx
        fall *= v
        by_v += fall
        fall *= v
        by_q += fall
    steep = -2 * beta * k * amplitude
    by_p *= steep * ep
    by_q *= steep
    by_s *= steep
    by_v *= -steep * eq
    by_v -= (steep * s) * by_u
    by_u *= -steep * ep
    by_gamma *= amplitude
    light = shapes * amplitude
    if len(nodes) == 1:
        add_pixel_term(params, gamma, stamps, light)
    light += local_sky(params, gamma, stamps).astype(np.float32)[:, None]
    return Modelled(light, slopes)


def add_pixel_term(params: F64, gamma: float, stamps: Stamps, model: F32) -> None:
    """Add (1/24) of the Laplacian: what averaging over the pixel changes to second order."""
    x, y, p, q, s, amplitude = (column[:, None] for column in params.T.astype(np.float32))
    beta, root = np.float32(1 / gamma), np.float32(np.sqrt(2**gamma - 1))
    ep, eq, s = root * np.exp(p), root * np.exp(q), root * s
    dx, dy = stamps.dx - x, stamps.dy - y
    u, v = ep * dx + s * dy, eq * dy
    base = 1 + u * u + v * v
    along = ep**2 * u**2 + (s * u + eq * v) ** 2
    trace = ep**2 + s**2 + eq**2
    laplacian = 4 * beta * (beta + 1) * along / base - 2 * beta * trace
    model += amplitude * np.exp((-beta - 1) * np.log(base)) * laplacian / 24


def local_sky(params: F64, gamma: float, stamps: Stamps) -> F64:
    """Light of the ring less the wings the model puts there, at most 2 % of the peak."""
    wide = np.exp(params[:, 2] + params[:, 3])  # product of the two inverse half widths
    wings = params[:, 5] * (1 + (2**gamma - 1) * wide * stamps.ring_px**2) ** (-1 / gamma)
    return np.asarray(stamps.around - np.clip(wings, 0, 0.02 * np.abs(params[:, 5])))


def weight_variance(stamps: Stamps, model: F32 | None, per_adu: float) -> F32:
    """
    Variance of each pixel: sky noise, the light's own noise, and the model's imperfection.

    Parameters
    ----------
    stamps : Stamps
        n stars of k pixels each.
    model : ndarray, shape (n, k), or None
        Their modelled light, ADU; None before the first fit.
    per_adu : float
        Variance of the light for each ADU of it.

    Returns
    -------
    ndarray, shape (n, k)
        ADU squared: unit of the variance.
    """
    sky = np.maximum(stamps.noise[:, None] ** 2, 1e-30).astype(np.float32)
    if model is None:
        bright = np.maximum(stamps.values, 0)
        return np.asarray(sky + (0.05 * bright) ** 2, np.float32)
    bright = np.maximum(model, 0)
    return np.asarray(sky + bright * (per_adu + MODEL_ERROR**2 * bright), np.float32)


def light_noise(stamps: Stamps, model: F32, variance: F32) -> float:
    """Variance per ADU of starlight, from how much the residuals grow under the stars."""
    off = (stamps.values - model) ** 2 - stamps.noise.astype(np.float32)[:, None] ** 2
    weighted = np.maximum(model, 0) / variance
    share = np.sum(off * weighted, axis=1)
    total = np.sum(weighted**2 * variance, axis=1)
    return float(max(0.0, np.median(share / np.maximum(total, 1e-30))))


def weighted_cost(stamps: Stamps, model: F32, variance: F32) -> F64:
    """Sum of squared residuals in units of their variance, per star."""
    miss = stamps.values - model
    return np.asarray(np.sum(miss * miss / variance * stamps.weights, axis=1), np.float64)


def solve(stamps: Stamps, model: Modelled, variance: F32, damping: F64) -> tuple[F64, float]:
    """One damped Gauss-Newton step of all stars and of the shared 1/beta."""
    weight = stamps.weights / variance
    miss = stamps.values - model.light
    weighted = model.slopes * weight[:, None, :]
    power = (weighted @ model.slopes.transpose(0, 2, 1)).astype(float)
    pull = (weighted @ miss[:, :, None])[:, :, 0].astype(float)
    own = slice(PARAMETERS)
    normal, by_shared = power[:, own, own].copy(), power[:, own, SHARED]
    index = np.arange(PARAMETERS)
    normal[:, index, index] *= 1 + damping[:, None]
    normal[:, index, index] += 1e-30
    both = each_solved(normal, np.stack([pull[:, own], by_shared], axis=-1), 0.0)
    alone, by_gamma = both[..., 0], both[..., 1]
    # poor fits count less
    fair = 1 / np.maximum(np.sum(miss * miss * weight, axis=1) / miss.shape[1], 1)
    gamma_miss = pull[:, SHARED] - np.sum(by_shared * alone, axis=1)
    gamma_power = power[:, SHARED, SHARED] - np.sum(by_shared * by_gamma, axis=1)
    gamma_step = float(np.sum(fair * gamma_miss) / max(float(np.sum(fair * gamma_power)), 1e-30))
    return alone - gamma_step * by_gamma, gamma_step


def each_solved(normal: F64, right: F64, otherwise: float) -> F64:
    """Solve the equations of each star; `otherwise` for one whose pixels leave some unknown."""
    try:
        return np.asarray(np.linalg.solve(normal, right), np.float64)
    except np.linalg.LinAlgError:
        if len(normal) == 1:
            return np.full(right.shape, otherwise)
    parts = [
        each_solved(normal[i : i + 1], right[i : i + 1], otherwise) for i in range(len(normal))
    ]
    return np.concatenate(parts)


def limit_step(step: F64, limit: F64) -> None:
    """Shorten steps that would leave the region where the slopes say anything."""
    np.nan_to_num(step, copy=False)
    excess = np.abs(step[:, :5]) / limit
    step /= np.maximum(1, excess.max(axis=1))[:, None]


def judged(
    stamps: Stamps, params: F64, gamma: float, model: Modelled, variance: F32, fwhm_px: float
) -> Fits:
    """Attach covariance and goodness to the fitted parameters."""
    weight = stamps.weights / variance
    slopes = model.slopes[:, :PARAMETERS].astype(float)  # errors of single precision may be < 0
    normal = (slopes * weight[:, None, :]) @ slopes.transpose(0, 2, 1)
    index = np.arange(PARAMETERS)
    normal[:, index, index] *= 1 + 1e-9
    covariance = each_solved(normal, np.broadcast_to(np.eye(PARAMETERS), normal.shape), np.inf)
    used = np.maximum(np.count_nonzero(stamps.weights, axis=1) - PARAMETERS, 1)
    chi2 = weighted_cost(stamps, model.light, variance) / used
    left_over = unexplained(stamps, model.light, local_sky(params, gamma, stamps)[:, None])
    reach = np.abs(stamps.dx).max()
    good = (
        np.isfinite(params).all(axis=1)
        & (np.abs(params[:, :2]).max(axis=1) < max(1.5, fwhm_px / 2))
        & (params[:, 5] > 0)
        & (np.exp(-params[:, 2:4]).max(axis=1) < 4 * reach)
        & np.isfinite(covariance[:, 2:5, 2:5]).all(axis=(1, 2))
        & (np.diagonal(covariance, axis1=1, axis2=2) > 0).all(axis=1)
    )
    return Fits(params, covariance, 1 / gamma, chi2, left_over, good,
                stamps.values - model.light)  # fmt: skip


def unexplained(stamps: Stamps, model: F32, sky: F64) -> F64:
    """Energy of the residuals beyond sky noise over the energy of the model."""
    used = stamps.weights * np.ones_like(model)
    missed = np.sum(((stamps.values - model) ** 2 - stamps.noise[:, None] ** 2) * used, axis=1)
    return np.asarray(missed / np.maximum(np.sum((model - sky) ** 2 * used, axis=1), 1e-30))
