#!/usr/bin/env python3
"""Fits the acceptor's weights to the evidence that `cargo bench --bench listen -- --tune FILE` writes.

    pip install scikit-learn
    python3 benches/listen/fit.py FILE > src/listen/acceptor.toml

The transforms here and in src/listen/evidence.rs are the same; a test there checks them on the example this script
writes into the file.
"""

import json
import math
import sys

import numpy as np
from sklearn.linear_model import LogisticRegression

FEATURES = [
    "score", "score_in_noise", "score_poor", "worst_high", "around", "around_in_noise",
    "length", "noise", "margin_below", "margin_small", "margin_large", "margin_below_in_noise", "alike_below",
    "alike_small", "alike_large", "alike_below_in_noise", "least",
]
# What each utterance weighs against the others: a wrong advance is worse than asking again, and people's voices are few.
COST = {"human": 6.0, "stand-in": 3.0, "chatter": 1.0, "a word before or after": 1.0, "one word like it": 1.0}
OTHER_COST = 5.0


def transform(e):
    """Evidence to features. Keep in step with `features` in src/listen/evidence.rs."""
    clip = lambda x, low, high: min(max(x, low), high)
    noise = clip((25.0 - e["snr_db"]) / 20.0, 0.0, 1.0)
    score = clip(e["score"], -4.0, 0.2)
    worst = math.sqrt(clip(e["worst"], 0.0, 40.0))
    around = math.log1p(clip(e["before"] + e["after"], 0.0, 40.0))
    margin, alike = clip(e["margin"], -12.0, 12.0), clip(e["alike"], -12.0, 12.0)
    parts = lambda x: [clip(x, -12.0, 0.0), clip(x, 0.0, 4.0), clip(x, 4.0, 12.0), clip(x, -12.0, 0.0) * noise]
    return [
        score, score * noise, clip(score, -4.0, -1.5), clip(worst, 2.0, 7.0), around, around * noise,
        math.log(max(e["units"], 1.0)), noise, *parts(margin), *parts(alike), clip(min(margin, alike + 3.0), -12.0, 12.0),
    ]


# Better evidence must not make a phrase less probable, whatever a few hundred recordings say.
NOT_NEGATIVE = {
    "score", "score_poor", "margin_below", "margin_small", "margin_large", "alike_below", "alike_small", "alike_large",
    "least",
}


def fit(x, y, cost):
    """Weights and bias. A feature with the wrong sign is left out (weight 0) and the rest fitted again."""
    kept = np.ones(len(FEATURES), dtype=bool)
    while True:
        mean, spread = x.mean(axis=0), x.std(axis=0) + 1e-9
        model = LogisticRegression(C=0.1, max_iter=2000)
        model.fit(((x - mean) / spread)[:, kept], y, sample_weight=cost)
        weights = np.zeros(len(FEATURES))
        weights[kept] = model.coef_[0] / spread[kept]
        wrong = np.array([name in NOT_NEGATIVE for name in FEATURES]) & (weights < 0)
        if not wrong.any():
            return weights, model.intercept_[0] - float((weights * mean).sum())
        kept &= ~wrong


def main():
    rows = [json.loads(line) for line in open(sys.argv[1])]
    # Only what scores at all is looked at closely; the rest is refused without asking the weights.
    rows = [r for r in rows if r["evidence"]["score"] >= -4.0]
    x = np.array([transform(r["evidence"]) for r in rows])
    y = np.array([r["right"] for r in rows])
    cost = [COST.get(r["kind"], OTHER_COST) for r in rows]
    weights, bias = fit(x, y, cost)
    p = 1.0 / (1.0 + np.exp(-(x @ weights + bias)))
    report(rows, y, p)
    print("# Fitted by benches/listen/fit.py to the tuning half of docs/listening.md; don't edit by hand.")
    print("# The probability that a phrase was really said is 1 / (1 + exp(-(bias + sum of weight x feature))).")
    print(f"bias = {bias:.4f}")
    print("\n[weights]")
    for name, weight in zip(FEATURES, weights):
        print(f"{name} = {weight:.4f}")
    example = rows[0]["evidence"]
    print("\n# For the test that this file's script and the program reckon alike.\n[example]")
    for name in ["score", "margin", "alike", "worst", "before", "after", "units", "snr_db"]:
        print(f"{name} = {example[name]:.5f}")
    print(f"probability = {p[0]:.4f}")


def report(rows, y, p):
    say = lambda *words: print(*words, file=sys.stderr)
    kinds = np.array([r["kind"] for r in rows])
    conditions = np.array([r["condition"] for r in rows])
    for bar in (0.3, 0.5, 0.6, 0.7, 0.8, 0.9):
        say(f"\naccepted at {bar}:")
        for kind in sorted(set(kinds)):
            of = kinds == kind
            if kind in ("human", "stand-in"):
                per = {c: f"{(p[of & y & (conditions == c)] >= bar).sum()}/{(of & y & (conditions == c)).sum()}"
                       for c in dict.fromkeys(conditions)}
                say(f"  {kind}: {(p[of & y] >= bar).sum()} of {(of & y).sum()} right", per)
            else:
                say(f"  {kind}: {(p[of] >= bar).sum()} of {of.sum()} wrong")


if __name__ == "__main__":
    main()
