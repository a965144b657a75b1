"""Plans -> sound, a whole batch at a time, on a GPU or (slower) a processor: invented objects, rooms, noises, phones.

Every linear step (equalisers, band limits, rooms) is a product of spectra; every strike's true time is the first sample at which it
exceeds 5 % of its peak of the next 60 ms, taken after all that shapes the strike itself, as in scripts/simulating/sounds.
"""
import json
import sys
from pathlib import Path

import numpy as np
import soundfile as sf
import torch
import torch.nn.functional as F

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / 'simulating' / 'sounds'))
import plan as P  # noqa: E402

RATE = 44_100
LENGTH = int(.9 * RATE)
SIZE = 65_536
ROOM = int(1.2 * RATE)
LEAD = 40
# Strikes shaped at a time.
TOGETHER = 1024
# Ratios of the modes of a membrane (zeros of Bessel functions) and of a free bar (Fletcher & Rossing, from memory).
MEMBRANE = [1, 1.594, 2.136, 2.296, 2.653, 2.918, 3.156, 3.501, 3.6, 3.652, 4.06, 4.154, 4.6, 4.832, 4.903, 5.13, 5.412, 5.54, 5.65, 5.98, 6.16]
BAR = [1, 2.756, 5.404, 8.933, 13.34, 18.64, 24.8]
MODES = 21
# Kinds of noise whose own events are struck too: in company no strikes of the pupil's, alone nobody can say.
STRUCK_NOISES = ('clock', 'clock-tick', 'doors', 'dishes', 'thumps', 'footsteps', 'thunder', 'splash', 'clatter')


def peaking(gain_db, hz, q, w):
    """Response of a peaking equaliser (Bristow-Johnson's audio cookbook) at angular frequencies w in radians a sample."""
    a = 10 ** (gain_db / 40)
    w0 = 2 * np.pi * hz / RATE
    alpha, c = torch.sin(w0) / 2 / q, torch.cos(w0)
    z = torch.exp(-1j * w)
    return ((1 + alpha * a) - 2 * c * z + (1 - alpha * a) * z * z) / ((1 + alpha / a) - 2 * c * z + (1 - alpha / a) * z * z)


def low_pass(hz, order, f):
    """Analogue Butterworth response, minimum phase. hz, order: [n, 1]; hz 0 passes all."""
    s = 1j * f / hz.clamp(min=1)
    out = torch.ones_like(s)
    for n in range(1, 5):
        h = torch.ones_like(s)
        for k in range(1, n + 1):
            h = h / (s - np.exp(1j * np.pi * (2 * k + n - 1) / (2 * n)))
        out = torch.where(order == n, h, out)
    return torch.where(hz > 0, out, torch.ones_like(out))


def high_pass(hz, order, f):
    s = 1j * f / hz.clamp(min=1)
    h = s / (1 + s)
    h2 = s * s / (1 + 2 ** .5 * s + s * s)
    return torch.where(hz > 0, torch.where(order == 1, h, h2), torch.ones_like(h))


class World:
    def __init__(self, folder, device, made=3000, rooms=400, groups=None, seed=0, clips=60):
        folder = Path(folder)
        index = json.loads((folder / 'index.json').read_text())
        self.device, self.index = device, index
        half = torch.float16 if device != 'cpu' else torch.float32
        # Recorded and made strikes lie side by side, each filled up to LENGTH.
        flat = sf.read(folder / 'shots.flac', dtype='float32')[0]
        shots = np.zeros((len(index['shots']), LENGTH), 'f4')
        for row, s in zip(shots, index['shots']):
            n = min(LENGTH, s['length'])
            row[:n] = flat[s['first']:s['first'] + n]
        recorded_at = torch.tensor([s['attack'] for s in index['shots']])
        gen = torch.Generator(device=device).manual_seed(seed)
        made_x, made_at = made_strikes(made, 4, gen, device, half)
        self.shots = torch.cat([torch.from_numpy(shots).to(device, half), made_x])
        self.attack = torch.cat([recorded_at.to(device), made_at])
        recorded = sf.read(folder / 'noise.ogg', dtype='float32')[0]
        made_noise = made_noises(clips, seed)
        self.noise = torch.from_numpy(np.concatenate([recorded, *(x for _, x in made_noise)])).to(device, half)
        at = len(recorded)
        for kind, x in made_noise:
            index['noise'].append(dict(first=at, length=len(x), kind=kind, split='train', struck=kind in STRUCK_NOISES))
            at += len(x)
        self.rooms = made_rooms(rooms, seed).to(device, half)
        families = sorted({s['family'] for s in index['shots']})
        self.families = families
        self.groups = groups = groups or [families]
        sources, weights = [], []
        for group in groups:
            mine, w = [], []
            for family in group:
                of = {}
                for k, s in enumerate(index['shots']):
                    if s['family'] == family:
                        of.setdefault(s['source'], []).append(k)
                mine += [of[s] for s in sorted(of)]
                # A family of many sources counts for more, but not in proportion.
                w += [len(of) ** .6 / len(of)] * len(of) if of else []
            sources.append(mine)
            weights.append(np.array(w) / sum(w))
        n = len(index['shots'])
        noises = {}
        for clip in index['noise']:
            noises.setdefault((clip['split'], clip['kind']), []).append(clip)
        pick = lambda split: {k: v for (s, k), v in noises.items() if s == split}
        self.made_list = [[n + 4 * k + v for v in range(4)] for k in range(made)]
        self.planner = P.Planner(sources, weights, self.made_list, pick('train'), rooms)
        self.tester = P.Planner(sources, weights, self.made_list, pick('test'), rooms)

    def strikes(self, e):
        """Shaped strikes of the events' rows: samples [n, LENGTH] and attack [n]."""
        dev = self.device
        rows = torch.tensor(e, device=dev, dtype=torch.float32)
        col = lambda k: rows[:, k]
        shot, ratio, decay, double, gap, tilt = (col(4).long(), *(col(k) for k in (5, 6, 7, 8, 9)))
        at = torch.arange(LENGTH, device=dev)[None] * ratio[:, None]
        i = at.long()
        share = at - i
        x = self.shots[shot].float()
        take = lambda k: x.gather(1, (i + k).clamp(0, LENGTH - 1)) * ((i + k >= 0) & (i + k < LENGTH))
        a, b, c, d = take(-1), take(0), take(1), take(2)
        # Catmull and Rom's cubic through four samples.
        y = b + .5 * share * (c - a + share * (2 * a - 5 * b + 4 * c - d + share * (3 * (b - c) + d - a)))
        attack = self.attack[shot].float() / ratio
        f = torch.fft.rfftfreq(SIZE, device=dev)[None]
        w = 2 * np.pi * f
        h = 1 + double[:, None] * torch.exp(-1j * w * gap[:, None] * RATE)
        for k in range(P.MOST_FILTERS):
            g, hz, q = (col(10 + 3 * k + j)[:, None] for j in range(3))
            h = h * peaking(g, hz, q, w)
        lp = .5 * (1 + torch.exp(-1j * w))
        t = tilt[:, None]
        h = h * torch.where(t > 0, lp + (1 + t) * (1 - lp), (1 + t) - t * lp)
        y = torch.fft.irfft(torch.fft.rfft(y, SIZE) * h, SIZE)[:, :LENGTH]
        n = torch.arange(LENGTH, device=dev)[None]
        fall = torch.where(decay > 0, 1 / decay.clamp(min=1e-3), torch.zeros_like(decay))
        y = y * torch.exp(-(n - attack[:, None]).clamp(min=0) / RATE * fall[:, None])
        y = y * (.9 / (y.abs().amax(1, keepdim=True) + 1e-9))
        low = (attack - 176).clamp(min=0).long()
        near = y.abs().gather(1, (low[:, None] + torch.arange(2822, device=dev)[None]).clamp(max=LENGTH - 1))
        first = (near >= .05 * near.amax(1, keepdim=True)).float().argmax(1)
        return y, low + first

    def noises(self, plan, n, count):
        s = plan['segments']
        dev = self.device
        most = int(s[:, 2].max())
        z = torch.zeros(count * (n + most), device=dev)
        # Those of like length together, so that little is filled up in vain.
        s = s[np.argsort(s[:, 2])]
        for k in range(0, len(s), 32):
            some = torch.tensor(s[k:k + 32], device=dev)[:, :, None]
            t = torch.arange(int(s[k:k + 32, 2].max()), device=dev, dtype=torch.float32)[None]
            take, first, at = (some[:, j].long() for j in (0, 1, 3))
            length, gain, fade, speed = (some[:, j].float() for j in (2, 4, 5, 6))
            x = self.noise[(first + (t * speed).int()).clamp(0, len(self.noise) - 1)].float()
            ramp = torch.minimum(t + 1, length - t) / fade.clamp(min=1)
            w = torch.where(fade > 0, ramp.clamp(0, 1).sqrt(), torch.ones_like(ramp)) * gain * (t < length)
            z.index_add_(0, (take * (n + most) + at.clamp(max=n) + t.int()).view(-1), (x * w).view(-1))
        z = z.view(count, n + most)[:, :n]
        return z / (z.pow(2).mean(1, keepdim=True).sqrt() + 1e-9)

    @torch.no_grad()
    def make(self, plan, gen):
        """Samples [takes, n]; events as tensors: take, time in samples, role, local signal to noise in dB."""
        dev = self.device
        n = int(plan['seconds'] * RATE) // 256 * 256
        count = len(plan['snr'])
        e = plan['events']
        col = lambda name: torch.tensor(plan[name], device=dev, dtype=torch.float32)[:, None]
        rand = lambda *shape: torch.randn(*shape, generator=gen, device=dev)
        # Room before and behind for strikes that reach over an end.
        row = n + 2 * LENGTH
        dry = torch.zeros(count * row, device=dev)
        times, power = [], []
        for k in range(0, len(e), TOGETHER):
            some = e[k:k + TOGETHER]
            y, attack = self.strikes(some)
            at = torch.tensor(some[:, 1] * RATE, device=dev).round().long() - attack
            take = torch.tensor(some[:, 0], device=dev).long()
            gain = 10 ** (torch.tensor(some[:, 2], device=dev, dtype=torch.float32) / 20)
            y = y * gain[:, None]
            where = (take * row + LENGTH + at.clamp(-LENGTH, n))[:, None] + torch.arange(LENGTH, device=dev)[None]
            dry.index_add_(0, where.view(-1), y.view(-1))
            times.append((at + attack).clamp(min=0))
            power.append(y.gather(1, (attack[:, None] + torch.arange(882, device=dev)[None]).clamp(max=LENGTH - 1)).pow(2).mean(1))
        dry = dry.view(count, row)[:, LENGTH:LENGTH + n]
        times = torch.cat(times) if times else torch.zeros(0, device=dev, dtype=torch.long)
        power = torch.cat(power) if power else torch.zeros(0, device=dev)
        take = torch.tensor(e[:, 0], device=dev).long()
        role = torch.tensor(e[:, 3], device=dev).long()
        size = 1 << (n + ROOM).bit_length()
        f = torch.fft.rfftfreq(size, 1 / RATE, device=dev)[None]
        room = torch.tensor(plan['room'], device=dev)
        h = self.rooms[room.clamp(min=0)].float()
        h = h * torch.sqrt(10 ** (-col('drr') / 10))
        build = col('build')
        t = torch.arange(ROOM, device=dev)[None] / RATE
        swell = torch.where(t < build, (t / build.clamp(min=1e-4)) * torch.exp(-t / build.clamp(min=1e-4)), torch.zeros_like(t)) * rand(count, ROOM)
        swell = swell / (swell.norm(dim=1, keepdim=True) + 1e-9) * h.norm(dim=1, keepdim=True) * .6
        h = torch.where(room[:, None] >= 0, h + swell, torch.zeros_like(h))
        h[:, 0] = 1
        wet = torch.fft.irfft(torch.fft.rfft(dry, size) * torch.fft.rfft(h, size), size)[:, :n]
        # Signal to noise: mean power of the first 50 ms of the strikes that are no ghosts against that of the noise.
        strong = (role == P.PLAIN) | (role == P.MAIN)
        window = wet.reshape(-1)[take[:, None] * n + (times[:, None] + torch.arange(2205, device=dev)[None]).clamp(max=n - 1)]
        sums = torch.zeros(count, device=dev).index_add_(0, take, window.pow(2).mean(1) * strong)
        many = torch.zeros(count, device=dev).index_add_(0, take, strong.float())
        mean = torch.where(many > 0, sums / many.clamp(min=1), torch.full_like(sums, .01))
        z = self.noises(plan, n, count) if len(plan['segments']) else torch.zeros(count, n, device=dev)
        eq = torch.tensor(plan['eq'], device=dev, dtype=torch.float32).view(count, 6, 3)
        w = 2 * np.pi * f / RATE
        filters = lambda ks: torch.stack([peaking(eq[:, k, 0:1], eq[:, k, 1:2], eq[:, k, 2:3], w) for k in ks]).prod(0)
        if len(plan['segments']):
            # What sounds in a home sounds in a room too, seldom in the strikes' own place.
            there = torch.tensor(plan['noise_room'], device=dev)
            g = self.rooms[there.clamp(min=0)].float() * torch.sqrt(10 ** (-col('noise_drr') / 10)) * (there >= 0)[:, None]
            g[:, 0] = 1
            spectrum = torch.fft.rfft(z, size) * torch.fft.rfft(g, size) * filters((0, 1)) * low_pass(col('far_cut'), torch.full((count, 1), 2, device=dev), f)
            z = torch.fft.irfft(spectrum, size)[:, :n]
            z = z / (z.pow(2).mean(1, keepdim=True).sqrt() + 1e-9)
        snr = col('snr')
        fadein = col('fadein')
        part = torch.rand(count, 1, generator=gen, device=dev) * n
        z = torch.where((fadein > 0) & (torch.arange(n, device=dev)[None] < part), z * fadein, z)
        z = z * torch.where(torch.isfinite(snr), torch.sqrt(mean[:, None] * 10 ** (-snr / 10)), torch.zeros_like(snr))
        # A quiet room hums in some colour of its own.
        colour = torch.rand(count, 1, generator=gen, device=dev) * 1.2
        hum = torch.fft.irfft(torch.fft.rfft(rand(count, n), size) * (f.clamp(min=30) / 1000) ** -colour, size)[:, :n]
        hum = hum / (hum.pow(2).mean(1, keepdim=True).sqrt() + 1e-9) * col('hum')
        x = wet + z + hum
        rest = (z + hum).reshape(-1)
        around = rest[take[:, None] * n + (times[:, None] + torch.arange(882, device=dev)[None]).clamp(max=n - 1)].pow(2).mean(1) if len(e) else power
        local = 10 * torch.log10((power + 1e-12) / (around + 1e-14))
        return self.phone(x, plan, filters, f, size, n, count, col, rand), dict(take=take, at=times, role=role, snr=local)

    def phone(self, x, plan, filters, f, size, n, count, col, rand):
        dev = self.device
        orders = torch.tensor(plan['orders'], device=dev)
        h = high_pass(col('high'), orders[:, 0:1], f) * low_pass(col('low'), orders[:, 1:2], f) * filters((2, 3, 4, 5))
        rate = col('rate')
        h = h * torch.where((rate > 0) & (f > .46 * rate), torch.zeros_like(f), torch.ones_like(f))
        x = torch.fft.irfft(torch.fft.rfft(x, size) * h, size)[:, :n]
        agc = torch.tensor(plan['agc'], device=dev)
        if agc.any():
            step = 64
            peak = x.abs().reshape(count, n // step, step).amax(2) + 1e-7
            t = torch.arange(n // step, device=dev)[None] * step / RATE
            slope = 8.7 / 8.7 * t / col('release')
            # The largest peak so far, each fallen off since: a follower with no attack time and this release.
            env = torch.exp(torch.cummax(torch.log(peak) + slope, 1).values - slope)
            env = F.avg_pool1d(F.pad(env[:, None], (7, 0), mode='replicate'), 8, 1)[:, 0]
            ref = env.quantile(.9, 1, keepdim=True) + 1e-9
            db = (-col('squeeze') * 20 * torch.log10((env + 1e-6) / ref))
            db = torch.minimum(torch.maximum(db, -col('span')), col('span'))
            gain = 10 ** (F.interpolate(db[:, None], size=n, mode='linear', align_corners=False)[:, 0] / 20)
            x = torch.where(agc[:, None] > 0, x * gain, x)
        x = x / (x.abs().amax(1, keepdim=True) + 1e-12)
        over = col('clip')
        soft = torch.tensor(plan['soft'], device=dev)[:, None]
        x = torch.where(over > 0, torch.where(soft, torch.tanh(over * x), (over * x).clamp(-1, 1)), x)
        coarse = col('coarse')
        some = (coarse[:, 0] > 0).nonzero()[:, 0]
        if len(some):
            # What a codec leaves: every bin of a block off by its own error, weak ones gone.
            window = torch.hann_window(2048, device=dev)
            s = torch.stft(x[some], 2048, 512, window=window, return_complex=True)
            loud = F.avg_pool1d(s.abs().transpose(1, 2), 31, 1, 15).transpose(1, 2)
            s = torch.where(s.abs() < 2 * coarse[some, :, None] * loud, torch.zeros_like(s), s)
            noise = torch.complex(rand(*s.shape), rand(*s.shape)) * loud * coarse[some, :, None] * .5
            x[some] = torch.istft(s + noise, 2048, 512, window=window, length=n)
        x = x * 10 ** (col('peak') / 20)
        steps = 2.0 ** (col('bits') - 1)
        return torch.round(x.clamp(-1, 1) * steps) / steps


def band(lo, hi, f):
    return (1j * f / lo) / (1 + 1j * f / lo) / (1 + 1j * f / hi)


def made_strikes(objects, variants, gen, device, dtype, together=48):
    """Strikes of invented objects from damped modes, contacts and rattles: [objects * variants, LENGTH], and their attacks."""
    out = torch.empty(objects * variants, LENGTH, device=device, dtype=dtype)
    attacks = torch.empty(objects * variants, device=device, dtype=torch.long)
    for k in range(0, objects, together):
        n = min(together, objects - k)
        x = some_made(n, variants, gen, device)
        a = x.abs()
        near = a[:, :LEAD + 2822]
        attack = (near >= .05 * near.amax(1, keepdim=True)).float().argmax(1)
        out[k * variants:(k + n) * variants] = x
        attacks[k * variants:(k + n) * variants] = attack
    return out, attacks


def some_made(n, v, gen, device):
    rand = lambda *s: torch.rand(*s, generator=gen, device=device)
    normal = lambda *s: torch.randn(*s, generator=gen, device=device)
    uni = lambda lo, hi, *s: lo + (hi - lo) * rand(*s)
    logu = lambda lo, hi, *s: torch.exp(uni(np.log(lo), np.log(hi), *s))
    kind = torch.multinomial(torch.tensor([.6, .18, .11, .05, .06], device=device), n, True, generator=gen)
    dead, wire, brush, clap = ((kind == j)[:, None] for j in (1, 2, 3, 4))
    f0, many = logu(30, 5000, n, 1), torch.randint(1, MODES + 1, (n, 1), generator=gen, device=device)
    membrane = torch.tensor(MEMBRANE, device=device).expand(n, -1)
    bar = torch.tensor(BAR + [25 * 1.3 ** j for j in range(MODES - len(BAR))], device=device).expand(n, -1)
    side = uni(.3, 1, n, 1, 1)
    i = torch.arange(1, 6, device=device)
    plate = (i[None, :, None] ** 2 * side + i[None, None, :] ** 2).reshape(n, -1).sort(1).values[:, :MODES]
    plate = plate / plate[:, :1]
    scattered = 1 + (torch.cumsum(-torch.log(rand(n, MODES) + 1e-9), 1) * uni(.1, 1.2, n, 1))
    wide = (logu(1, 1 + 1e-6, n, MODES) * torch.exp(rand(n, MODES) * torch.log(uni(3, 40, n, 1)))).sort(1).values
    which = torch.randint(0, 5, (n, 1), generator=gen, device=device)
    ratio = sum(torch.where(which == j, r, torch.zeros_like(r)) for j, r in enumerate((membrane, bar, plate, scattered, wide)))
    ratio = ratio / ratio[:, :1] * uni(.97, 1.03, n, MODES)
    f = f0 * ratio
    on = (torch.arange(MODES, device=device)[None] < many) & (f < 17_000)
    on[:, 0] = True
    tau0 = torch.where(dead, logu(.0015, .02, n, 1), logu(.002, .5, n, 1))
    tau = (tau0 * (f[:, :1] / f) ** uni(0, 1, n, 1) * logu(.5, 2, n, MODES)).clamp(.0008, 1.2)
    amp = 10 ** (uni(-12, 3, n, 1) * torch.log2(f / f[:, :1]) / 20 + normal(n, MODES) * 6 / 20) * on
    t = torch.arange(LENGTH, device=device) / RATE
    modes = torch.empty(n, MODES, LENGTH, device=device)
    for k in range(MODES):
        modes[:, k] = torch.exp(-t / tau[:, k, None]) * torch.sin(2 * np.pi * f[:, k, None] * t)
    touch = torch.where(rand(n, 1) < .8, logu(.00005, .003, n, 1), logu(.003, .014, n, 1))
    share = logu(.02, 3, n, 1) * (rand(n, 1) < .8)
    share = torch.where(brush, logu(.5, 10, n, 1), torch.where(clap, logu(1, 8, n, 1), share))
    fall = torch.where(brush, logu(.01, .12, n, 1), torch.where(clap, logu(.002, .02, n, 1), logu(.0003, .012, n, 1)))
    touch = torch.where(clap, logu(.0001, .001, n, 1), touch)
    lo = logu(100, 5000, n, 1)
    hi = (lo * logu(2, 40, n, 1)).clamp(max=20_000)
    more = (rand(n, 1) < .35).long() * torch.randint(1, 3, (n, 1), generator=gen, device=device)
    contacts = torch.where(clap, torch.randint(1, 4, (n, 1), generator=gen, device=device), 1 + more)
    spread = logu(.001, .014, n, 1)
    rise = logu(.002, .025, n, 1)
    hard = torch.arange(v, device=device)[None] / max(1, v - 1)
    width = touch * 2 ** uni(-.3, .3, n, v) * 2 ** (1 - hard)
    bend = uni(1, 1.6, n, v)
    e = torch.zeros(n, v, 2048, device=device)
    b = torch.zeros(n, v, LENGTH, device=device)
    noise = normal(n, v, LENGTH)
    at = torch.zeros(n, v, device=device)
    s = torch.arange(2048, device=device) / RATE
    slow = uni(.7, 2, n, v)
    for c in range(3):
        here = ((contacts > c).expand(n, v)).float()
        g = torch.where(torch.tensor(c == 0, device=device) & (rand(n, v) < .5), torch.ones(n, v, device=device), 10 ** (uni(-14, 2, n, v) / 20)) * here
        phase = (s[None, None] - at[..., None]) / width[..., None].clamp(min=2 / RATE)
        inside = (phase >= 0) & (phase <= 1)
        e += g[..., None] * torch.where(inside, torch.sin(np.pi * phase.clamp(0, 1)).clamp(min=0) ** bend[..., None], torch.zeros_like(phase)) / (width[..., None] * RATE).clamp(min=2)
        since = t[None, None] - at[..., None]
        env = torch.where(since >= 0, torch.exp(-since.clamp(min=0) / (fall[..., None] * uni(.7, 1.4, n, v, 1))), torch.zeros_like(since))
        swell = (since / rise[..., None]).clamp(0, 1) ** slow[..., None]
        env = torch.where(brush[..., None], env * swell, env)
        # Each contact has a noise of its own: the same one, turned round.
        b += g[..., None] * env * noise.roll(7919 * c, 2)
        at = (at + spread * uni(.4, 1.3, n, v)).clamp(max=.015)
    freq = torch.fft.rfftfreq(SIZE, 1 / RATE, device=device)[None, None]
    level = amp[:, None] * 10 ** (normal(n, v, MODES) * 2.5 / 20)
    y = level @ modes
    y = torch.fft.irfft(torch.fft.rfft(y, SIZE) * torch.fft.rfft(e, SIZE), SIZE)[..., :LENGTH]
    peak = lambda q: q.abs().amax(-1, keepdim=True) + 1e-9
    y = y / peak(y)
    b = torch.fft.irfft(torch.fft.rfft(b, SIZE) * band(lo[..., None], hi[..., None], freq), SIZE)[..., :LENGTH]
    onset = (t[None, None] / (.5 * width[..., None]).clamp(min=1 / RATE)).clamp(0, 1)
    b = b * onset
    y = y + share[..., None] * (.4 + .6 * hard[..., None]) * b / peak(b)
    delay, last = logu(.0005, .01, n, 1, 1), logu(.015, .25, n, 1, 1)
    rattle = normal(n, v, LENGTH) * (t / delay).clamp(0, 1) * torch.exp(-t / last)
    rattle = torch.fft.irfft(torch.fft.rfft(rattle, SIZE) * band(logu(500, 3000, n, 1, 1), logu(5000, 16000, n, 1, 1), freq), SIZE)[..., :LENGTH]
    y = y + torch.where(wire[..., None], logu(.05, 1.5, n, 1, 1) * rattle / peak(rattle), torch.zeros_like(y))
    y = y.reshape(n * v, LENGTH)
    y = torch.cat([torch.zeros(n * v, LEAD, device=device), y[:, :-LEAD]], 1)
    tail = LENGTH // 8
    y[:, -tail:] *= torch.linspace(1, 0, tail, device=device)
    return y * (.9 / peak(y))


def a_noise(job):
    import noises
    kind, seed = job
    x = noises.FITTED[kind](8 * RATE, np.random.default_rng([seed, noises.seeded(kind)]))
    x = x - x.mean()
    return kind, (x * .25 / max(np.sqrt((x * x).mean()), np.abs(x).max() * .28)).astype('f4')


def made_noises(clips, seed):
    """So many clips of each kind of made noise, none like another; voices are recorded ones."""
    import multiprocessing
    import noises
    jobs = [(kind, seed * 10_000 + k) for kind in sorted(noises.FITTED) if kind not in ('speech', 'coloured') for k in range(clips)]
    with multiprocessing.Pool() as pool:
        return pool.map(a_noise, jobs, chunksize=4)


def a_room(seed):
    import rooms
    h = rooms.shoebox(np.random.default_rng([seed, 31]), t60=float(P.logu(np.random.default_rng([seed, 32]), .12, 1.3)), drr_db=0.)
    out = np.zeros(ROOM, 'f4')
    out[:min(ROOM, len(h))] = h[:ROOM]
    out[0] = 0
    return out


def made_rooms(count, seed):
    """Responses of invented rooms without the direct sound, of unit energy."""
    import multiprocessing
    with multiprocessing.Pool() as pool:
        return torch.from_numpy(np.stack(pool.map(a_room, range(seed * 10_000, seed * 10_000 + count), chunksize=8)))
