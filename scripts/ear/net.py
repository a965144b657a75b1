"""The ear's model: what it looks at, the network over time, and the look at company. Torch, batched; the same on a CPU.

The program computes the same in src/onset; `place.py` writes the weights it reads. Shapes: `[takes, samples]` of 44.1 kHz mono
in; a *short* frame lies every 64 samples, a *long* one every 256, frame i centred on sample i * hop.
"""
import numpy as np
import torch
import torch.nn as nn
import torch.nn.functional as F

RATE = 44_100
SHORT, SHORT_HOP, LONG, LONG_HOP = 256, 64, 1024, 256
SHORT_EDGES = [100, 280, 460, 640, 820, 1000, 1300, 1700, 2200, 2800, 3500, 4500, 5800, 7500, 10000, 13000, 16500]
LONG_EDGES = [60, 103, 146, 189, 232, 280, 340, 410, 500, 600, 720, 870, 1050, 1270, 1550, 1900, 2350, 2900, 3600, 4500, 5700, 7300,
              9500, 12000, 15500]
# As src/onset/floor.rs.
BLOCK_S, QUIET, NEIGHBOURS, SMOOTH, LOUD = .4, .25, 6, .3, .985
BELOW_LOUD, BELOW_ALL, LEAST = 10 ** -4.5, 10 ** -5.5, 1e-14
SCALE = .4
# A frame says whether a strike lies within so many frames of it.
WITHIN = 3.5
CELLS, VOTING, MIN_VOTE, APART = 4, .04, .03, 6
NEAR_S = .06
HEADS, WIDE, ROUNDS = 4, 8, 2


def band_matrix(length, edges):
    """[bins, bands]: share of each bin that lies in each band."""
    width = RATE / length
    f = np.arange(length // 2 + 1) * width
    share = [np.clip(np.minimum(f + width / 2, hi) - np.maximum(f - width / 2, lo), 0, None) / width for lo, hi in zip(edges, edges[1:])]
    return torch.tensor(np.stack(share, 1), dtype=torch.float32)


class Front(nn.Module):
    """Samples -> short and long bands over their floors, and the level beside the loudest."""

    def __init__(self):
        super().__init__()
        for name, length, edges in (('short', SHORT, SHORT_EDGES), ('long', LONG, LONG_EDGES)):
            window = torch.hann_window(length, periodic=False)
            self.register_buffer(name + '_window', window)
            self.register_buffer(name + '_bands', band_matrix(length, edges) / (window @ window))

    def powers(self, x, name, length, hop):
        y = F.pad(x, (length // 2, length // 2))
        out = []
        window, bands = getattr(self, name + '_window'), getattr(self, name + '_bands')
        count = x.shape[1] // hop + 1
        step = max(1, 2 ** 24 // (length * x.shape[0]))
        frames = y.unfold(1, length, hop)[:, :count]
        for k in range(0, count, step):
            z = torch.fft.rfft(frames[:, k:k + step] * window)
            out.append((z.real ** 2 + z.imag ** 2) @ bands)
        return torch.cat(out, 1)

    @staticmethod
    def over_floor(p, hop):
        """ln(1 + power / floor), scaled. p: [takes, frames, bands]."""
        takes, frames, bands = p.shape
        block = max(8, int(BLOCK_S * RATE / hop))
        count = max(1, frames // block)
        rank = lambda n, q: int(round((n - 1) * q))
        if frames >= block:
            blocks = p[:, :count * block].reshape(takes, count, block, bands)
            quiet = blocks.kthvalue(rank(block, QUIET) + 1, 2).values
        else:
            quiet = p.kthvalue(rank(frames, QUIET) + 1, 1).values[:, None]
        smooth = torch.stack([(lambda near: near.kthvalue(rank(near.shape[1], SMOOTH) + 1, 1).values)(
            quiet[:, max(0, i - NEIGHBOURS):i + NEIGHBOURS + 1]) for i in range(count)], 1)
        loud = p.kthvalue(rank(frames, LOUD) + 1, 1).values
        least = BELOW_LOUD * loud + BELOW_ALL * loud.mean(1, keepdim=True) + LEAST
        place = (torch.arange(frames, device=p.device) / block - .5).clamp(0, count - 1)
        i = place.long().clamp(max=count - 1)
        j = (i + 1).clamp(max=count - 1)
        share = (place - i)[None, :, None]
        floor = smooth[:, i] + share * (smooth[:, j] - smooth[:, i])
        return torch.log1p(p / (torch.maximum(floor, least[:, None]) + LEAST)) * SCALE

    @torch.no_grad()
    def forward(self, x):
        x = x.float()
        short, long = self.powers(x, 'short', SHORT, SHORT_HOP), self.powers(x, 'long', LONG, LONG_HOP)
        e = F.avg_pool1d(F.pad(short.sum(2)[:, None], (3, 3)), 7, 1)[:, 0]
        level = .2 * torch.log(e / (e.amax(1, keepdim=True) + 1e-30) + 1e-6) + 2.77
        # As many short frames as four to each long one.
        n = 4 * long.shape[1]
        a = self.over_floor(short, SHORT_HOP)
        pad = lambda v: F.pad(v, (0, 0, 0, n - v.shape[1])) if v.dim() == 3 else F.pad(v, (0, n - v.shape[1]))
        return pad(a), pad(level), self.over_floor(long, LONG_HOP)


class Block(nn.Module):
    def __init__(self, channels, dilation, before, after):
        super().__init__()
        self.dw = nn.Conv1d(channels, channels, 5, dilation=dilation, groups=channels, bias=False)
        self.pw = nn.Conv1d(channels, channels, 1)
        self.pad = before * dilation, after * dilation

    def forward(self, x):
        return x + F.relu(self.pw(self.dw(F.pad(x, self.pad))))


class Net(nn.Module):
    def __init__(self, wide=36, narrow=24, c=6):
        super().__init__()
        self.b1 = nn.Conv2d(1, c, (3, 5))
        self.b2 = nn.Conv2d(c, c + 2, (3, 3), stride=(2, 1))
        self.b0 = nn.Conv1d((c + 2) * 10, wide, 1)
        self.B = nn.ModuleList([Block(wide, d, 3, 1) for d in (1, 2, 4, 8, 8)])
        self.up = nn.Conv1d(wide, narrow, 1)
        self.g = nn.Conv1d(wide, 1, 1)
        self.a1 = nn.Conv2d(1, c, (1, 9))
        self.a2 = nn.Conv2d(c, c, (3, 3), stride=(2, 1))
        self.a0 = nn.Conv1d(c * 7 + 1, narrow, 1)
        self.A = nn.ModuleList([Block(narrow, d, 2, 2) for d in (1, 2, 4)])
        self.h = nn.Conv1d(narrow, 2, 1)
        nn.init.constant_(self.h.bias, -3)

    def forward(self, short, level, long):
        """short [t, 4n, 16], level [t, 4n], long [t, n, 24] -> logit, offset [t, 4n]; gate [t, n]; what the heads see."""
        a, b = short.transpose(1, 2)[:, None], long.transpose(1, 2)[:, None]
        b = F.relu(self.b1(F.pad(b, (2, 2))))
        b = F.relu(self.b2(F.pad(b, (1, 1))))
        b = F.relu(self.b0(b.flatten(1, 2)))
        for block in self.B:
            b = block(b)
        u = self.up(b)
        v = torch.cat([u[:, :, 1:], u[:, :, -1:]], 2)
        u = torch.stack([u + (v - u) * q for q in (0, .25, .5, .75)], 3).flatten(2, 3)
        a = F.relu(self.a1(F.pad(a, (4, 4))))
        a = F.relu(self.a2(F.pad(a, (1, 1)))).flatten(1, 2)
        a = F.relu(self.a0(torch.cat([a, level[:, None]], 1)) + u)
        for block in self.A:
            a = block(a)
        z = self.h(a)
        return z[:, 0], z[:, 1], self.g(b)[:, 0], a, b


@torch.no_grad()
def candidates(logit, offset, most=128):
    """Peaks of the votes: frame [t, most] (in fractions), height [t, most]; height 0 where there are fewer."""
    p = torch.sigmoid(logit.float())
    takes, frames = p.shape
    margin = 2 * CELLS
    at = (torch.arange(frames, device=p.device) + offset.float().clamp(-7, 7)).clamp(-2, frames + 1)
    weight = torch.where(p > VOTING, p, torch.zeros_like(p))
    cell = (at * CELLS).round().long() + margin
    size = frames * CELLS + 2 * margin + 2 * CELLS
    grid = torch.zeros(takes, size, device=p.device).scatter_add_(1, cell, weight)
    where = torch.zeros(takes, size, device=p.device).scatter_add_(1, cell, weight * at)
    j = torch.arange(-9, 10, device=p.device)
    triangle = (1 - j.abs() / 10)[None, None]
    votes = F.conv1d(grid[:, None], triangle, padding=9)[:, 0] / 7
    ones = torch.ones(1, 1, 21, device=p.device)
    mass, sums = F.conv1d(grid[:, None], ones, padding=10)[:, 0], F.conv1d(where[:, None], ones, padding=10)[:, 0]
    reach = CELLS * APART - 1
    top = F.max_pool1d(votes[:, None], 2 * reach + 1, 1, reach)[:, 0]
    peak = torch.where((votes >= top) & (votes > MIN_VOTE), votes, torch.zeros_like(votes))
    height, k = peak.topk(min(most, size), 1)
    frame = sums.gather(1, k) / mass.gather(1, k).clamp(min=1e-9)
    return torch.where(height > 0, frame, torch.full_like(frame, -1e6)), height


class Asking(nn.Module):
    """One round: each candidate asks the others, by what it knows and how alike they sound; nobody is always there to ask."""

    def __init__(self, known=32):
        super().__init__()
        self.q = nn.Linear(known + 48, HEADS * WIDE, bias=False)
        self.k = nn.Linear(known + 48, HEADS * WIDE, bias=False)
        self.v = nn.Linear(known, HEADS * WIDE, bias=False)
        self.s = nn.Parameter(torch.tensor([8., 4., 0., 0.]))
        self.n = nn.Parameter(torch.zeros(HEADS))
        self.nullv = nn.Parameter(torch.zeros(HEADS, WIDE))
        self.r = nn.Linear(known + HEADS * WIDE, 32)
        self.o = nn.Linear(32, 1)
        nn.init.zeros_(self.o.weight)
        nn.init.zeros_(self.o.bias)

    def forward(self, u, colour, later, out):
        """u [takes, n, known]; out [takes, n, n]: who is not asked -> what each knows then [takes, n, 32], what it adds to the logit."""
        takes, n = u.shape[:2]
        w = torch.cat([u, colour, later], 2)
        split = lambda t: t.view(takes, n, HEADS, WIDE).transpose(1, 2)
        q, k, val = split(self.q(w)), split(self.k(w)), split(self.v(u))
        score = q @ k.transpose(2, 3) / WIDE ** .5 + self.s[None, :, None, None] * (colour @ colour.transpose(1, 2))[:, None]
        score = score.masked_fill(out[:, None], -1e9)
        null = self.n[None, :, None, None].expand(takes, -1, n, 1)
        weight = torch.softmax(torch.cat([null, score], 3), 3)
        m = weight[..., 1:] @ val + weight[..., :1] * self.nullv[None, :, None]
        m = m.transpose(1, 2).reshape(takes, n, HEADS * WIDE)
        r = F.relu(self.r(torch.cat([u, m], 2)))
        return r, self.o(r)[:, :, 0]


class Company(nn.Module):
    """Each candidate beside the others of its take, asked in rounds: in the second they know what they were told in the first."""

    def __init__(self, wide=36, narrow=24, u=32):
        super().__init__()
        self.u = nn.Linear(narrow + wide + 2, u)
        self.rounds = nn.ModuleList(Asking() for _ in range(ROUNDS))

    @staticmethod
    def look(frame, height, a, b, level, long):
        """Candidates and what the network made of the take -> what each is by itself [takes, n, 62], its colour and what sounds later
        [takes, n, 24], who is not asked [takes, n, n]."""
        frames, coarse = a.shape[2], b.shape[2]
        f = frame.round().long().clamp(0, frames - 1)
        g = (frame / 4).round().long().clamp(0, coarse - 1)
        pick = lambda x, i: x.gather(2, i[:, None].expand(-1, x.shape[1], -1)).transpose(1, 2)
        row = lambda d: long.gather(1, (g + d).clamp(0, coarse - 1)[:, :, None].expand(-1, -1, long.shape[2]))
        lev = torch.stack([level.gather(1, (f + d).clamp(0, frames - 1)) for d in range(8)]).amax(0)
        v = height.clamp(.02, .98)
        z = torch.log(v / (1 - v))
        x = torch.cat([pick(a, f), pick(b, g), lev[:, :, None], z[:, :, None]], 2)
        colour = (torch.stack([row(d) for d in (1, 2, 3)]).amax(0) - torch.maximum(row(-3), row(-2))).clamp(min=0)
        colour = colour - colour.mean(2, keepdim=True)
        colour = colour / (colour.norm(dim=2, keepdim=True) + 1e-6)
        near = (frame[:, :, None] - frame[:, None, :]).abs() * SHORT_HOP / RATE < NEAR_S
        return x, colour, row(9) * .5, near | (height <= 0)[:, None, :]

    def forward(self, x, colour, later, out):
        """What `look` gives -> logit of each candidate after each round."""
        known, logit, told = F.relu(self.u(x)), x[:, :, -1], []
        for asking in self.rounds:
            known, more = asking(known, colour, later, out)
            logit = logit + more
            told.append(logit)
        return told


class Ear(nn.Module):
    def __init__(self):
        super().__init__()
        self.front, self.net, self.c = Front(), Net(), Company()

    @torch.no_grad()
    def hear(self, x, most=384):
        """[takes, samples] -> times in s, certainties, votes; certainty 0 where there is no candidate."""
        short, level, long = self.front(x)
        logit, offset, gate, a, b = self.net(short, level, long)
        frame, height = candidates(logit, offset, most)
        out = torch.sigmoid(self.c(*self.c.look(frame, height, a, b, level, long))[-1])
        return frame * SHORT_HOP / RATE, torch.where(height > 0, out, torch.zeros_like(out)), height
