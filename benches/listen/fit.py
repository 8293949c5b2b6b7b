#!/usr/bin/env python3
"""Fits the acceptor's weights to the evidence that `cargo bench --bench listen -- --tune FILE` writes.

    pip install scikit-learn
    python3 benches/listen/fit.py FILE > src/listen/both.toml              # both ears
    python3 benches/listen/fit.py FILE --first > src/listen/acceptor.toml  # the first alone (FILE by --tune FILE --phones)

The transforms here and in src/listen/evidence.rs are the same; a test there checks them on the example this script
writes into the file.
"""

import hashlib
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
FEATURES_OF_BOTH = [
    "score", "score_poor", "worst_high", "around", "length", "noise",
    "margin_below", "margin_small", "alike_below", "alike_small", "second_weight", "second_weight_in_noise",
    "second_weight_poor", "asked_below", "asked_small", "asked_large", "asked_in_noise", "free_below",
    "free_small", "joint_below", "joint_small", "joint_large", "joint_in_noise", "second_worst",
    "second_worst_in_noise", "second_end", "least", "words",
]
# How much nearer a rival is for a nat of the first ear, against one of the second: as in src/listen/both.rs.
FIRST_SHARE = 0.5
# What each utterance weighs against the others: a wrong advance is worse than asking again, and people's voices are few.
COST = {"human": 5.0, "person": 5.0, "natural": 4.0, "stand-in": 2.0, "chatter": 1.0, "a word before or after": 1.0, "one word like it": 1.0}
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


def transform_both(e):
    """Both ears' evidence to features. Keep in step with `features_of_both` in src/listen/evidence.rs."""
    clip = lambda x, low, high: min(max(x, low), high)
    s = e["second"]
    noise = clip((25.0 - e["snr_db"]) / 20.0, 0.0, 1.0)
    score = clip(e["score"], -4.0, 0.2)
    margin, alike = clip(e["margin"], -12.0, 12.0), clip(e["alike"], -12.0, 12.0)
    weight = clip(s["weight"], -16.0, 0.0)
    asked, free = clip(s["asked"]["second"], -12.0, 12.0), clip(s["free"]["second"], -12.0, 12.0)
    joint = clip(s["rival"]["second"] + FIRST_SHARE * s["rival"]["first"], -12.0, 12.0)
    worst = clip(s["worst"], -8.0, 0.0)
    return [
        score, min(score, -1.5), clip(math.sqrt(clip(e["worst"], 0.0, 40.0)), 2.0, 7.0),
        math.log1p(clip(e["before"] + e["after"], 0.0, 40.0)), math.log(max(e["units"], 1.0)), noise,
        min(margin, 0.0), clip(margin, 0.0, 4.0), min(alike, 0.0), clip(alike, 0.0, 4.0),
        weight, weight * noise, min(weight, -4.0), min(asked, 0.0), clip(asked, 0.0, 3.0), clip(asked, 3.0, 8.0),
        clip(asked, -12.0, 3.0) * noise, min(free, 0.0), clip(free, 0.0, 4.0),
        min(joint, 0.0), clip(joint, 0.0, 4.0), clip(joint, 4.0, 10.0), clip(joint, -12.0, 4.0) * noise,
        worst, worst * noise, clip(s["end"], -6.0, 0.0), min(joint, min(margin, alike) + 3.0),
        math.log(max(e["words_of_phrase"], 1)),
    ]


# Better evidence must not make a phrase less probable, whatever a few hundred recordings say.
NOT_NEGATIVE = {
    "score", "score_poor", "margin_below", "margin_small", "margin_large", "alike_below", "alike_small", "alike_large",
    "least", "second_weight", "second_weight_poor", "asked_below", "asked_small", "asked_large", "free_below", "free_small",
    "joint_below", "joint_small", "joint_large", "second_worst", "second_end", "second_weight_in_noise",
    "second_worst_in_noise", "asked_in_noise", "joint_in_noise",
}
# Nor worse evidence more probable.
NOT_POSITIVE = {"worst_high", "around", "around_in_noise"}


def fit(x, y, cost, features):
    """Weights and bias. A feature with the wrong sign is left out (weight 0) and the rest fitted again."""
    kept = np.ones(len(features), dtype=bool)
    while True:
        mean, spread = x.mean(axis=0), x.std(axis=0) + 1e-9
        model = LogisticRegression(C=0.1, max_iter=2000)
        model.fit(((x - mean) / spread)[:, kept], y, sample_weight=cost)
        weights = np.zeros(len(features))
        weights[kept] = model.coef_[0] / spread[kept]
        wrong = np.array([name in NOT_NEGATIVE for name in features]) & (weights < 0)
        wrong |= np.array([name in NOT_POSITIVE for name in features]) & (weights > 0)
        if not wrong.any():
            return weights, model.intercept_[0] - float((weights * mean).sum())
        kept &= ~wrong


def out_of_sample(rows, x, y, cost, features):
    """Probabilities by weights that were fitted without the phrase: five folds."""
    fold = np.array([int(hashlib.sha256(r["words"].encode()).hexdigest(), 16) % 5 for r in rows])
    p = np.zeros(len(rows))
    for one in range(5):
        weights, bias = fit(x[fold != one], y[fold != one], cost[fold != one], features)
        p[fold == one] = 1.0 / (1.0 + np.exp(-(x[fold == one] @ weights + bias)))
    return p


def main():
    rows = [json.loads(line) for line in open(sys.argv[1])]
    first = "--first" in sys.argv
    # Only what scores at all is looked at closely; the rest is refused without asking the weights.
    rows = [r for r in rows if r["evidence"]["score"] >= -4.0 and (first or "second" in r["evidence"])]
    features, transformed = (FEATURES, transform) if first else (FEATURES_OF_BOTH, transform_both)
    x = np.array([transformed(r["evidence"]) for r in rows])
    y = np.array([r["right"] for r in rows])
    cost = np.array([COST.get(r["kind"], OTHER_COST) for r in rows])
    weights, bias = fit(x, y, cost, features)
    p = 1.0 / (1.0 + np.exp(-(x @ weights + bias)))
    report(rows, y, out_of_sample(rows, x, y, cost, features))
    print("# Fitted by benches/listen/fit.py to the tuning half of docs/listening.md; don't edit by hand.")
    print("# The probability that a phrase was really said is 1 / (1 + exp(-(bias + sum of weight x feature))).")
    print(f"bias = {bias:.4f}")
    print("\n[weights]")
    for name, weight in zip(features, weights):
        print(f"{name} = {weight:.4f}")
    example = rows[0]["evidence"]
    print("\n# For the test that this file's script and the program compute alike.\n[example]")
    for name in ["score", "margin", "alike", "worst", "before", "after", "units", "snr_db"]:
        print(f"{name} = {example[name]:.5f}")
    if not first:
        print(f"words_of_phrase = {example['words_of_phrase']}")
    print(f"probability = {p[0]:.4f}")
    if not first:
        print("\n[example.second]")
        second = example["second"]
        for name in ["weight", "worst", "end"]:
            print(f"{name} = {second[name]:.5f}")
        for name in ["rival", "asked", "free"]:
            print(f"{name} = {{ first = {second[name]['first']:.5f}, second = {second[name]['second']:.5f} }}")


def report(rows, y, p):
    say = lambda *words: print(*words, file=sys.stderr)
    kinds = np.array([r["kind"] for r in rows])
    conditions = np.array([r["condition"] for r in rows])
    for bar in (0.3, 0.5, 0.6, 0.7, 0.8, 0.9):
        say(f"\naccepted at {bar}:")
        for kind in sorted(set(kinds)):
            of = kinds == kind
            if kind in ("human", "stand-in", "person", "natural"):
                per = {c: f"{(p[of & y & (conditions == c)] >= bar).sum()}/{(of & y & (conditions == c)).sum()}"
                       for c in dict.fromkeys(conditions)}
                say(f"  {kind}: {(p[of & y] >= bar).sum()} of {(of & y).sum()} right", per)
            else:
                say(f"  {kind}: {(p[of] >= bar).sum()} of {of.sum()} wrong")


if __name__ == "__main__":
    main()
