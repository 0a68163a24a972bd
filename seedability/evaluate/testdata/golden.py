"""Makes golden.json: values of reference libraries that the tests compare with.

    python golden.py > golden.json

Python 3.11, scores 2.7.0, properscoring 0.1, SciPy 1.17.1, statsmodels 0.15.0,
scikit-learn 1.9.1, NumPy 2.4.6, xarray 2026.9.0 (all of PyPI). Numbers are invented
but where a source is named.
"""

import importlib.metadata
import json
import math
import sys
import warnings

import numpy as np
import properscoring
import scipy.stats
import sklearn.metrics
import statsmodels.api as sm
import xarray as xr
import scores.categorical as sc
import scores.continuous as sco
import scores.probability as sp

warnings.filterwarnings("ignore")
rng = np.random.default_rng(20260114)


def clean(x):
    """NumPy to plain lists; what is not finite becomes null."""
    if isinstance(x, dict):
        return {k: clean(v) for k, v in x.items()}
    if isinstance(x, (list, tuple, np.ndarray)):
        return [clean(v) for v in x]
    if isinstance(x, (bool, np.bool_)):
        return bool(x)
    if isinstance(x, (int, np.integer)):
        return int(x)
    if isinstance(x, (float, np.floating)):
        return float(x) if math.isfinite(x) else None
    return x


def contingency():
    rows = []
    tables = [(28, 72, 23, 2680), (82, 38, 23, 222), (1, 1, 1, 1), (5, 0, 2, 9), (5, 3, 0, 9), (0, 4, 3, 20),
              (0, 0, 3, 20), (0, 4, 0, 20), (0, 0, 0, 20), (7, 0, 0, 0), (7, 0, 0, 5), (3, 9, 0, 0), (120000, 45000, 30000, 9805000)]
    for a, b, c, d in tables:
        n = a + b + c + d
        m = sc.BasicContingencyManager({k: xr.DataArray(float(v)) for k, v in
                                        dict(tp_count=a, fp_count=b, fn_count=c, tn_count=d, total_count=n).items()})
        get = lambda f: float(getattr(m, f)())
        rows.append(dict(
            hits=a, false_alarms=b, misses=c, correct_negatives=d,
            base_rate=get("base_rate"), accuracy=get("accuracy"), bias=get("frequency_bias"),
            pod=get("probability_of_detection"), far=get("false_alarm_ratio"),
            pofd=get("probability_of_false_detection"), csi=get("critical_success_index"),
            ets=get("equitable_threat_score"), hss=get("heidke_skill_score"), pss=get("peirce_skill_score"),
            odds_ratio=get("odds_ratio"), orss=get("odds_ratio_skill_score"),
            sedi=get("symmetric_extremal_dependence_index")))
    return rows


def decomposition(p, o, bins):
    """The five terms of Stephenson et al. (2008), by their definitions."""
    p, o = np.asarray(p), np.asarray(o)
    n, mean = len(p), o.mean()
    edges = np.arange(1, bins) / bins
    which = np.searchsorted(edges, p, side="right")
    rel = res = wbv = wbc = 0.0
    for k in range(bins):
        i = which == k
        if i.any():
            f, x = p[i], o[i]
            rel += len(f) * (f.mean() - x.mean()) ** 2
            res += len(f) * (x.mean() - mean) ** 2
            wbv += ((f - f.mean()) ** 2).sum()
            wbc += 2 * ((f - f.mean()) * (x - x.mean())).sum()
    return dict(bins=bins, reliability=rel / n, resolution=res / n, uncertainty=mean * (1 - mean),
                within_bin_variance=wbv / n, within_bin_covariance=wbc / n)


def probability():
    rows = []
    p1 = [.9, .7, .6, .4, .3, .1]
    o1 = [1, 1, 0, 1, 0, 0]
    p2 = np.round(rng.beta(.5, 1.5, 300), 3)
    o2 = (rng.random(300) < p2 ** 1.3).astype(int)
    p3 = rng.beta(2, 2, 200)
    o3 = (rng.random(200) < .2 + .5 * p3).astype(int)
    p4 = rng.integers(0, 11, 120) / 10
    o4 = (rng.random(120) < p4).astype(int)
    for name, p, o in (("six", p1, o1), ("thousandths", p2, o2), ("continuous", p3, o3), ("tenths", p4, o4)):
        p, o = np.asarray(p, float), np.asarray(o)
        f, x = xr.DataArray(p, dims="t"), xr.DataArray(o, dims="t")
        curve = sp.roc_curve_data(f, x, "auto")
        u = scipy.stats.mannwhitneyu(p[o == 1], p[o == 0]).statistic / ((o == 1).sum() * (o == 0).sum())
        rows.append(dict(
            name=name, p=p, o=o, brier=float(sp.brier_score(f, x)), auc=float(sp.roc_auc(f, x)),
            auc_sklearn=sklearn.metrics.roc_auc_score(o, p), auc_mannwhitney=u,
            pod=curve["POD"].values, pofd=curve["POFD"].values,
            decompositions=[decomposition(p, o, b) for b in (5, 10, 20)],
            standard_deviation=p.std()))
    return rows


def consistency():
    """Consistency bars by the steps of Broecker and Smith (2007), case by case."""
    p = np.round(rng.beta(1, 2, 400), 3)
    o = (rng.random(400) < p).astype(int)
    cycles, bins = 20000, 10
    freq = [[] for _ in range(bins)]
    for _ in range(cycles):
        x = rng.choice(p, len(p))
        y = rng.random(len(p)) < x
        which = np.searchsorted(np.arange(1, bins) / bins, x, side="right")
        n, e = np.bincount(which, minlength=bins), np.bincount(which, weights=y, minlength=bins)
        for k in range(bins):
            if n[k]:
                freq[k].append(e[k] / n[k])
    return dict(p=p, o=o, low=[np.quantile(f, .05) for f in freq], high=[np.quantile(f, .95) for f in freq])


def crps():
    rows = []
    for m in (1, 2, 5, 20):
        for _ in range(4):
            x = np.round(rng.gamma(1.2, 2, m), 2)
            y = float(np.round(rng.gamma(1.2, 2), 2))
            f, o = xr.DataArray([x], dims=("t", "m")), xr.DataArray([y], dims="t")
            row = dict(members=x, observed=y, properscoring=float(properscoring.crps_ensemble(y, x)))
            for method in ("ecdf", "fair"):
                if method == "fair" and m == 1:
                    continue
                row[method] = float(sp.crps_for_ensemble(f, o, "m", method=method))
                row["upper_" + method] = float(sp.tail_tw_crps_for_ensemble(f, o, "m", threshold=2.5, tail="upper", method=method))
                row["lower_" + method] = float(sp.tail_tw_crps_for_ensemble(f, o, "m", threshold=1.0, tail="lower", method=method))
                row["between_" + method] = float(sp.interval_tw_crps_for_ensemble(f, o, "m", lower_threshold=1.0, upper_threshold=4.0, method=method))
            rows.append(row)
    return rows


def pinball():
    f, o = np.round(rng.normal(5, 2, 30), 3), np.round(rng.normal(5, 2, 30), 3)
    return dict(forecast=f, observed=o, scores={
        str(a): float(sco.quantile_score(xr.DataArray(f, dims="t"), xr.DataArray(o, dims="t"), a)) for a in (.1, .5, .9)})


def regress(name, unseeded_c, unseeded_t, seeded_c, seeded_t, level=.95):
    """Controls as rows. The sum over seeded units comes from one regression over all
    units with an indicator for each seeded one, whose coefficients are observed less
    predicted (Salkever 1976), not from the formula that is tested."""
    xu, xs = np.column_stack(unseeded_c), np.column_stack(seeded_c)
    yu, ys = np.asarray(unseeded_t, float), np.asarray(seeded_t, float)
    fit = sm.OLS(yu, sm.add_constant(xu)).fit()
    new = fit.get_prediction(sm.add_constant(xs, has_constant="add"))
    m, k = len(ys), xu.shape[1]
    x = np.zeros((len(yu) + m, 1 + k + m))
    x[:, 0] = 1
    x[:, 1:1 + k] = np.vstack([xu, xs])
    x[len(yu):, 1 + k:] = np.eye(m)
    pooled = sm.OLS(np.concatenate([yu, ys]), x).fit()
    test = pooled.t_test(np.r_[np.zeros(1 + k), np.ones(m)])
    low, high = test.conf_int(1 - level)[0]
    frame = new.summary_frame(1 - level)
    return dict(name=name, unseeded_controls=unseeded_c, unseeded_target=yu, seeded_controls=seeded_c, seeded_target=ys,
                coefficients=fit.params, standard_errors=fit.bse, t=fit.tvalues, p=fit.pvalues, r_squared=fit.rsquared,
                residual_error=math.sqrt(fit.scale), predicted=new.predicted_mean, prediction_error=new.se_obs,
                low=frame["obs_ci_lower"].values, high=frame["obs_ci_upper"].values,
                excess_sum=float(test.effect[0]), excess_low=low, excess_high=high,
                excess_t=float(np.squeeze(test.tvalue)), excess_p=float(np.squeeze(test.pvalue)))


EXAMPLE = dict(  # invented amounts, mm
    uc=[300, 420, 350, 510, 280, 460, 390, 330, 480, 400], ut=[410, 560, 480, 690, 375, 600, 540, 440, 655, 530],
    sc=[370, 440, 310, 500], st=[545, 625, 455, 705])


def regressions():
    n, m = 25, 7
    c = np.round(rng.gamma(20, 20, (3, n + m)), 1)
    t = np.round(40 + .5 * c[0] + .3 * c[1] + .4 * c[2] + rng.normal(0, 25, n + m), 1)
    t[n:] = np.round(t[n:] * 1.08, 1)
    e = EXAMPLE
    return [regress("one control", [e["uc"]], e["ut"], [e["sc"]], e["st"]),
            regress("three controls", c[:, :n], t[:n], c[:, n:], t[n:], .9)]


def double_ratio():
    """The delta method by numerical derivatives of ln DR and the sample covariance
    of all four means, and the single ratio of a yes-or-no amount, which is a risk
    ratio (statsmodels Table2x2)."""
    e = EXAMPLE
    ts, cs, tu, cu = (np.asarray(e[k], float) for k in ("st", "sc", "ut", "uc"))
    f = lambda v: math.log(v[0] / v[1] / (v[2] / v[3]))
    at = np.array([ts.mean(), cs.mean(), tu.mean(), cu.mean()])
    g = np.array([(f(at + h) - f(at - h)) / (2 * h.sum()) for h in np.diag(at * 1e-6)])
    vs, vu = np.cov(ts, cs) / len(ts), np.cov(tu, cu) / len(tu)
    a, b = g[:2] @ vs @ g[:2], g[2:] @ vu @ g[2:]
    df = (a + b) ** 2 / (a * a / (len(ts) - 1) + b * b / (len(tu) - 1))
    se = math.sqrt(a + b)
    half = scipy.stats.t.ppf(.975, df) * se
    risk = sm.stats.Table2x2(np.array([[30, 10], [40, 60]]))
    return dict(double=f(at), log_error=se, degrees_of_freedom=df, low=math.exp(f(at) - half), high=math.exp(f(at) + half),
                risk=dict(seeded_yes=30, seeded_no=10, unseeded_yes=40, unseeded_no=60,
                          ratio=float(risk.riskratio), log_error=float(risk.log_riskratio_se)))


def permutations():
    rows = []
    # Darwin's maize: heights of cross-fertilised less self-fertilised plants, eighths of an inch.
    d = np.array([49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48], float)
    r = scipy.stats.permutation_test((d,), np.sum, permutation_type="samples", n_resamples=np.inf, alternative="two-sided")
    rows.append(dict(name="Darwin", amounts=np.column_stack([d, np.zeros(15)]).ravel(), block=np.repeat(np.arange(15), 2),
                     seeded=np.tile([1, 0], 15), two_sided=r.pvalue))
    x, y = np.round(rng.gamma(2, 5, 6), 1), np.round(rng.gamma(2, 3, 8), 1)
    row = dict(name="independent", amounts=np.concatenate([x, y]), block=np.zeros(14, int), seeded=[1] * 6 + [0] * 8)
    for alternative in ("two-sided", "greater", "less"):
        r = scipy.stats.permutation_test((x, y), lambda a, b, axis: a.mean(axis) - b.mean(axis), vectorized=True,
                                         n_resamples=np.inf, alternative=alternative)
        row[alternative.replace("-", "_")] = r.pvalue
    rows.append(row)
    # Ties: amounts of whole millimetres.
    x, y = rng.integers(0, 4, 5).astype(float), rng.integers(0, 4, 6).astype(float)
    row = dict(name="ties", amounts=np.concatenate([x, y]), block=np.zeros(11, int), seeded=[1] * 5 + [0] * 6)
    for alternative in ("two-sided", "greater", "less"):
        r = scipy.stats.permutation_test((x, y), lambda a, b, axis: a.mean(axis) - b.mean(axis), vectorized=True,
                                         n_resamples=np.inf, alternative=alternative)
        row[alternative.replace("-", "_")] = r.pvalue
    rows.append(row)
    return rows


def bootstraps():
    """SciPy's intervals with a million resamples: their own sampling error is small
    beside the tolerance of the test."""
    x = np.round(rng.gamma(1.5, 4, 25), 2)
    a, b = np.round(rng.gamma(4, 4, 18), 2), np.round(rng.gamma(4, 3, 23), 2)
    out = dict(one=x, seeded=a, unseeded=b)
    ratio = lambda u, v, axis: u.mean(axis) / v.mean(axis)
    for name, data, f in (("variance", (x,), lambda v, axis: v.var(axis)), ("mean", (x,), np.mean), ("ratio", (a, b), ratio)):
        for method in ("percentile", "BCa"):
            r = scipy.stats.bootstrap(data, f, method=method, n_resamples=1_000_000, batch=20_000, random_state=np.random.default_rng(7), vectorized=True)
            out[f"{name}_{method.lower()}"] = list(r.confidence_interval)
            out[f"{name}_error"] = r.standard_error
    return out


def distributions():
    x = np.round(rng.gamma(2, 10, 37), 1)
    p = (0, .1, .25, .5, .75, .9, 1)
    return dict(values=x, quantiles=np.quantile(x, p), mean=x.mean(),
                student=[dict(p=q, df=df, value=scipy.stats.t.ppf(q, df)) for q in (.9, .975, .995) for df in (1, 2.5, 7, 30.3, 1000)],
                two_sided=[dict(t=t, df=df, value=2 * scipy.stats.t.sf(t, df)) for t in (.5, 2, 6) for df in (1, 7, 50)],
                normal=[dict(p=q, value=scipy.stats.norm.ppf(q)) for q in (1e-6, .025, .5, .9, .999)])


def blocks_json(x):
    """One line for each value of the outermost two levels, so that changes can be read."""
    lines = []
    for key, value in x.items():
        if isinstance(value, list) and value and isinstance(value[0], dict):
            lines.append(f"{json.dumps(key)}: [\n" + ",\n".join(json.dumps(v) for v in value) + "\n]")
        elif isinstance(value, dict):
            lines.append(f"{json.dumps(key)}: {{\n" + ",\n".join(f"{json.dumps(k)}: {json.dumps(v)}" for k, v in value.items()) + "\n}")
        else:
            lines.append(f"{json.dumps(key)}: {json.dumps(value)}")
    return "{\n" + ",\n".join(lines) + "\n}\n"


made = dict(
    made_with=["Python " + sys.version.split()[0]] + [f"{m} {importlib.metadata.version(m)}" for m in
               ("scores", "properscoring", "scipy", "statsmodels", "scikit-learn", "numpy", "xarray")],
    contingency=contingency(), probability=probability(), consistency=consistency(), crps=crps(), pinball=pinball(),
    regression=regressions(), double_ratio=double_ratio(), permutation=permutations(), bootstrap=bootstraps(),
    distribution=distributions())
sys.stdout.write(blocks_json(clean(made)))
