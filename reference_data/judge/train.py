#!/usr/bin/env python3
"""Train the model that tells a drum's own strokes from bleed.

  train.py TRAIN_PREFIXES HELD_PREFIXES OUT.bin DRUM [--hidden 64] [--epochs 12] [--drop 0.4] [--noise 0.05] [--seed 0]
           [--beside OLD.bin [--from N]] [--weigh 9,4,2]

Reads the rows that `tests/accuracy/features.rs` wrote (PREFIX_SET_DRUM.bin: float32 rows of label, timing error, session,
frame, then the features), trains a small network (features -> tanh -> tanh -> log-odds) with Adam (Kingma & Ba 2015),
weight decay, dropout and noise on its inputs, and writes its weights; with --beside the networks of an earlier file too (from
number N on), whose log-odds are averaged with the new one's, and its second steps but for the sets of mics that --weigh names,
whose steps are fitted anew. Prefixes are separated by commas. Deterministic for given inputs. Needs numpy alone.
"""
import argparse, os, sys
import numpy as np

HEAD = 4


def load(prefix, drum, mics, width, thin=None):
    r = np.memmap(f"{prefix}_{mics}_{drum}.bin", "<f4", mode="r").reshape(-1, width)
    if thin is None:
        return np.array(r)
    # Most candidates are plainly noise: a part of those will do. `thin` is the column of the height, the plain height follows.
    rng = np.random.default_rng(0)
    keep = (r[:, 0] > 0) | (r[:, thin + 1] > 1.0) | (r[:, thin] > 0.1) & (rng.random(len(r)) < 0.5) | (rng.random(len(r)) < 0.1)
    return np.array(r[keep])


class Net:
    def __init__(self, sizes, rng):
        self.w = [rng.standard_normal((a, b)).astype(np.float32) * np.float32(np.sqrt(1.0 / a)) for a, b in zip(sizes, sizes[1:])]
        self.b = [np.zeros(b, np.float32) for b in sizes[1:]]

    def forward(self, x, rng=None, drop=0.0):
        acts, slopes = [x], [None]
        for i, (w, b) in enumerate(zip(self.w, self.b)):
            z = acts[-1] @ w + b
            slope = None
            if i < len(self.w) - 1:
                z = np.tanh(z)
                slope = 1 - z * z
                if rng is not None and drop:
                    keep = (rng.random(z.shape, np.float32) > drop) / np.float32(1 - drop)
                    z, slope = z * keep, slope * keep
            acts.append(z); slopes.append(slope)
        return acts, slopes

    def logit(self, x):
        return self.forward(x)[0][-1][:, 0]


def train(x, y, wt, hidden, epochs, seed, lr=2e-3, decay=2e-4, drop=0.4, noise=0.05, batch=512):
    rng = np.random.default_rng(seed)
    net = Net([x.shape[1], hidden, 12, 1], rng)
    params = net.w + net.b
    m = [np.zeros_like(p) for p in params]; v = [np.zeros_like(p) for p in params]
    step, n = 0, len(x)
    total = epochs * (n // batch)
    for _ in range(epochs):
        order = rng.permutation(n)
        for i in range(0, n - batch + 1, batch):
            idx = order[i:i + batch]
            xb, yb, wb = x[idx], y[idx], wt[idx]
            xb = xb + rng.standard_normal(xb.shape, np.float32) * np.float32(noise)
            acts, slopes = net.forward(xb, rng, drop)
            p = 1 / (1 + np.exp(-acts[-1][:, 0]))
            d = ((p - yb) * wb / wb.sum())[:, None].astype(np.float32)
            gw, gb = [None] * len(net.w), [None] * len(net.b)
            for k in range(len(net.w) - 1, -1, -1):
                gw[k] = acts[k].T @ d; gb[k] = d.sum(0)
                if k:
                    d = (d @ net.w[k].T) * slopes[k]
            step += 1
            rate = lr * 0.5 * (1 + np.cos(np.pi * step / total))
            for j, (p_, g) in enumerate(zip(params, gw + gb)):
                m[j] = 0.9 * m[j] + 0.1 * g; v[j] = 0.999 * v[j] + 0.001 * g * g
                p_ -= rate * (m[j] / (1 - 0.9 ** step)) / (np.sqrt(v[j] / (1 - 0.999 ** step)) + 1e-8)
                if j < len(net.w):
                    p_ *= np.float32(1 - rate * decay * 50)
    return net


def f_of(logit, y, cut=0.0):
    k = logit > cut
    return 2 * (k & y).sum() / max(k.sum() + y.sum(), 1)


class Step:
    """networks with the scaling of their inputs"""

    def __init__(self, x, y, wt, hidden, epochs, nets, first_seed=0, **kw):
        self.mean, self.std = x.mean(0), np.maximum(x.std(0), 0.05)
        self.hidden = hidden
        xn = self.scaled(x)
        self.nets = [train(xn, y, wt, hidden, epochs, seed, **kw) for seed in range(first_seed, first_seed + nets)]

    def scaled(self, x):
        return np.clip((x - self.mean) / self.std, -6, 6).astype(np.float32)

    def logit(self, x):
        z = self.scaled(x)
        return np.mean([n.logit(z) for n in self.nets], 0)

    def write(self, f):
        np.array([len(self.nets), len(self.mean), self.hidden, 12], "<u4").tofile(f)
        self.mean.astype("<f4").tofile(f); (1 / self.std).astype("<f4").tofile(f)
        for n in self.nets:
            for w, b in zip(n.w, n.b):
                w.astype("<f4").tofile(f); b.astype("<f4").tofile(f)


def second(logit, kit):
    """inputs of the second step: the verdict of the first, then height, plain height, dB above bleed, clear share"""
    h, p, above, clear = kit[:, :4].T
    steps = [np.minimum(h, 1), np.minimum(h, 1.5), np.minimum(h, 4) / 2, h / 5]
    return np.stack([np.clip(logit, -8, 8) / 4, *steps, p / 5, np.minimum(p - h, 6) / 3, above / 15, clear], 1).astype(float)


def logistic(x, y, wt, ridge=1.0, rounds=25):
    """weights and bias of a logistic regression, by Newton's method"""
    x = np.concatenate([x, np.ones((len(x), 1))], 1)
    w = np.zeros(x.shape[1])
    for _ in range(rounds):
        p = 1 / (1 + np.exp(-np.clip(x @ w, -30, 30)))
        g = x.T @ (wt * (p - y)) + ridge * np.r_[w[:-1], 0]
        h = (x * (wt * p * (1 - p))[:, None]).T @ x + ridge * np.eye(len(w))
        w -= np.linalg.solve(h, g)
    return w


INPUTS = 9
# Which second step a set of mics is for: none beside the drum's own, one other drum's, overheads, the whole kit.
WITNESSES = {"k": 0, "s": 0, "2": 1, "4": 2, "9": 3}


def seconds_of(path):
    """second steps of a file of weights: a row of weights and a bias for each of the witnesses"""
    return np.fromfile(path, "<f4")[-4 * (INPUTS + 1):].reshape(4, INPUTS + 1).astype(float)


def networks(path):
    """means, inverse spreads and networks of a file of weights; a network is three pairs of weights and biases"""
    count, inputs, first, last = (int(v) for v in np.fromfile(path, "<u4", 4))
    words, at = np.fromfile(path, "<f4", offset=16), 0
    def take(*shape):
        nonlocal at
        at += int(np.prod(shape))
        return words[at - int(np.prod(shape)):at].reshape(shape).copy()
    mean, scale = take(inputs), take(inputs)
    layers = ((inputs, first), (first, last), (last, 1))
    return mean, scale, [[(take(*l), take(l[1])) for l in layers] for _ in range(count)]


class Beside:
    """networks of an old file from number `first` on"""

    def __init__(self, path, first):
        self.mean, self.scale, nets = networks(path)
        self.nets = nets[first:]

    def logit(self, x):
        z = np.clip((x - self.mean) * self.scale, -6, 6).astype(np.float32)
        def one(layers):
            a = z
            for w, b in layers[:-1]:
                a = np.tanh(a @ w + b)
            return (a @ layers[-1][0] + layers[-1][1])[:, 0]
        return np.mean([one(n) for n in self.nets], 0)


def write_beside(old, first, ear, f):
    """the networks of an old file from number `first` on and the new ones, in the old one's scaling and with as many units as the larger"""
    mean, scale, nets = networks(old)
    nets = nets[first:]
    for n in ear.nets:
        (w, *others), (b, *biases) = n.w, n.b
        own = (1 / ear.std).astype(np.float32)
        b = b + ((mean - ear.mean) * own) @ w
        nets.append([(w * (own / scale)[:, None], b), *zip(others, biases)])
    units = max(net[0][0].shape[1] for net in nets)
    np.array([len(nets), len(mean), units, 12], "<u4").tofile(f)
    mean.astype("<f4").tofile(f); scale.astype("<f4").tofile(f)
    for (w1, b1), (w2, b2), (w3, b3) in nets:
        more = units - len(b1)
        for v in (np.pad(w1, ((0, 0), (0, more))), np.pad(b1, (0, more)), np.pad(w2, ((0, more), (0, 0))), b2, w3, b3):
            v.astype("<f4").tofile(f)


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("train", help="prefixes, comma separated"); ap.add_argument("held", help="prefixes, comma separated")
    ap.add_argument("out"); ap.add_argument("drum"); ap.add_argument("--weigh", default="9,4,2", help="sets of mics whose second step is fitted")
    ap.add_argument("--beside", metavar="OLD.bin"); ap.add_argument("--from", type=int, default=0, dest="first")
    ap.add_argument("--seed", type=int, default=0)
    ap.add_argument("--hidden", type=int, default=64); ap.add_argument("--epochs", type=int, default=12); ap.add_argument("--nets", type=int, default=1)
    ap.add_argument("--drop", type=float, default=0.4); ap.add_argument("--noise", type=float, default=0.05)
    ap.add_argument("--mics", default="9,2", help="sets of mics to learn from; what the main mic alone says is the same in all")
    a = ap.parse_args()
    prefixes, mics = a.train.split(","), a.mics.split(",")
    alone, kit = (int(v) for v in open(os.path.dirname(prefixes[0]) + "/width").read().split())
    width = HEAD + alone + kit
    rows = np.concatenate([load(p, a.drum, m, width, thin=HEAD + alone) for m in mics for p in prefixes])
    x, k, y = rows[:, HEAD:HEAD + alone], rows[:, HEAD + alone:], (rows[:, 0] > 0).astype(np.float32)
    wt = np.where(rows[:, 0] > 1, 1.5, 1.0).astype(np.float32)      # soft and rare kinds count a little more
    print(len(x), "rows", y.mean(), "own", flush=True)
    kw = dict(drop=a.drop, noise=a.noise)
    ear = Step(x, y, wt, a.hidden, a.epochs, a.nets, first_seed=a.seed, **kw)
    # the second step learns from verdicts on sessions that the new network has not heard
    halves = [Step(x[k], y[k], wt[k], a.hidden, max(a.epochs * 2 // 3, 1), 1, first_seed=a.seed, **kw) for k in (rows[:, 2] % 2 == 0, rows[:, 2] % 2 == 1)]
    beside = Beside(a.beside, a.first) if a.beside else None
    def verdict(x, ears):
        return (ears.logit(x) + len(beside.nets) * beside.logit(x)) / (1 + len(beside.nets)) if beside else ears.logit(x)
    steps = seconds_of(a.beside) if a.beside else np.zeros((4, INPUTS + 1))
    for m in filter(None, a.weigh.split(",")):
        r = np.concatenate([load(p, a.drum, m, width, thin=HEAD + alone) for p in prefixes if os.path.exists(f"{p}_{m}_{a.drum}.bin")])
        odd = r[:, 2] % 2 == 1
        v = np.where(odd, verdict(r[:, HEAD:HEAD + alone], halves[0]), verdict(r[:, HEAD:HEAD + alone], halves[1]))
        steps[WITNESSES[m]] = logistic(second(v, r[:, HEAD + alone:]), (r[:, 0] > 0).astype(float), np.where(r[:, 0] > 1, 1.5, 1.0))
        print("second step", m, steps[WITNESSES[m]].round(2).tolist(), flush=True)
    for prefix in a.held.split(","):
        for m in mics:
            r = load(prefix, a.drum, m, width)
            e, w = verdict(r[:, HEAD:HEAD + alone], ear), steps[WITNESSES[m]]
            l = second(e, r[:, HEAD + alone:]) @ w[:-1] + w[-1]
            kk, yy = l > 0, r[:, 0] > 0
            by = {int(c): f"{(kk & (r[:, 0] == c)).sum()}/{(r[:, 0] == c).sum()}" for c in (1, 2, 3, 4)}
            best = max((f_of(l, yy, c), c) for c in np.linspace(-3, 3, 25))
            print(f"{os.path.basename(prefix)} {m} {a.drum}: ear {f_of(e, yy):.4f} F {f_of(l, yy):.4f} best {best[0]:.4f}@{best[1]:.2f} false {(kk & ~yy).sum()} missed {(~kk & yy).sum()} kinds {by} false by session {np.bincount(r[kk & ~yy, 2].astype(int)).tolist()}", flush=True)
    with open(a.out, "wb") as f:
        write_beside(a.beside, a.first, ear, f) if a.beside else ear.write(f)
        steps.astype("<f4").tofile(f)


if __name__ == "__main__":
    sys.exit(main())
