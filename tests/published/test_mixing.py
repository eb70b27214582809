"""Gas carried along: against the analytic wash-out, scipy, and the published ratio of the guard."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from diagnose.physics.laws import P_ROOM, flow_through, make_law
from diagnose.physics.mixing import AIR_OXYGEN, Inflow, begin_shares, mix
from diagnose.physics.network import Stores
from diagnose.physics.solve import Net, advance

LITRE = 1e-3
L_MIN = 1e-3 / 60


def make_net(volumes, pieces, feed):
    """Return a net of stiff spaces joined by passages (from, to, m^3/s/Pa); the room is last."""
    before, after, conductance = (np.array(column) for column in zip(*pieces, strict=True))
    law = np.zeros((4, len(pieces), 1))
    law[0, :, 0] = law[2, :, 0] = conductance
    rigid = np.array(volumes)[:, None] / P_ROOM
    return Net(before.astype(int), after.astype(int), make_law(law), Stores(rigid, (), ()),
               np.array(feed)[:, None])  # fmt: skip


def run(net, oxygen, seconds, number):
    """Return the shares after some equal steps."""
    pg = np.zeros((net.n_nodes, 1))
    share = begin_shares(net, 1)
    for _ in range(number):
        new = advance(net, pg, seconds / number)
        share = mix(
            net, share, pg, new, Inflow(seconds / number, P_ROOM, np.array(oxygen)[:, None])
        )
        pg = new
    return pg, share


@pytest.mark.parametrize("litres", [0.5, 1.0, 3.0])
def test_a_space_is_washed_out_as_the_exponential_says(litres):
    """x = 1 - (1 - x0) exp(-V/V0) for a mixed space; closed form, any text on kinetics.

    5 L/min into 1 L at the room's pressure; 400 implicit steps are within 0.4 % of it.
    """
    flow = 5 * L_MIN
    net = make_net([LITRE], [(0, 1, 1e-3)], [flow])
    _, share = run(net, [flow], litres * LITRE / flow, 400)
    assert share[0, 0] == pytest.approx(1 - (1 - AIR_OXYGEN) * np.exp(-litres), abs=4e-3)


def test_three_parts_of_nitrous_oxide_to_one_of_oxygen_make_a_quarter():
    """Ottawa 1997, guard's limit 3:1 (figures DO-02); FDA and textbooks: 25 % (DO-01)."""
    net = make_net([LITRE], [(0, 1, 1e-3)], [4 * L_MIN])
    _, share = run(net, [1 * L_MIN], 600.0, 50)
    assert share[0, 0] == pytest.approx(0.25, abs=1e-6)


def test_shares_of_ten_random_networks_agree_with_scipy():
    """solve_ivp on pressures and amounts of oxygen, rtol 1e-8; 600 steps are within 0.5 %."""
    rng = np.random.default_rng(7)
    for _ in range(10):
        n = int(rng.integers(3, 7))
        volumes = rng.uniform(0.2, 2.0, n) * LITRE
        pieces = [(i, i + 1, 10 ** rng.uniform(-7, -5)) for i in range(n)]
        pieces.append((0, n - 1, 10 ** rng.uniform(-7, -5)))
        feed = np.where(rng.uniform(size=n) < 0.5, rng.uniform(0.2, 5, n) * L_MIN, 0.0)
        feed[0] = 3 * L_MIN
        oxygen = feed * rng.uniform(0, 1, n)
        net = make_net(volumes, pieces, feed)
        _, share = run(net, oxygen, 60.0, 600)
        assert share[:, 0] == pytest.approx(integrate(net, volumes, feed, oxygen, 60.0), abs=5e-3)


def integrate(net, volumes, feed, oxygen, seconds):
    """Return the shares by scipy: the unknowns are pressures and amounts of oxygen."""
    n = len(volumes)

    def change(_, y):
        pg, amount = np.append(y[:n], 0.0), y[n:]
        share = np.append(amount / (volumes * (1 + y[:n] / P_ROOM)), AIR_OXYGEN)
        flow = flow_through((pg[net.before] - pg[net.after])[:, None], net.law)[0][:, 0]
        into, taken = feed.copy(), oxygen.copy()
        for q, a, b in zip(flow, net.before, net.after, strict=True):
            gas = q * share[a] if q > 0 else q * share[b]
            for node, sign in ((a, -1), (b, 1)):
                if node < n:
                    into[node] += sign * q
                    taken[node] += sign * gas
        return np.concatenate([into * P_ROOM / volumes, taken])

    start = np.concatenate([np.zeros(n), volumes * AIR_OXYGEN])
    end = solve_ivp(change, (0, seconds), start, method="LSODA", rtol=1e-8, atol=1e-12).y[:, -1]
    return end[n:] / (volumes * (1 + end[:n] / P_ROOM))


def test_a_broken_link_lets_the_share_of_oxygen_fall_and_a_sound_one_keeps_it(lab):
    """DO-01: a link keeps 25 %; what a broken one lets by is judgement, so only its sign."""
    name = "dosing.ratio_measured"
    catalogue = lab.catalogue("one_vaporizer_valve")
    broken = [c for c in catalogue.causes if c.fault_id == "dosing.link_broken"]
    share = lab.read("one_vaporizer_valve", name, broken, number=24)
    assert (share[0] > 0.25).all() and (share[1] < 0.25).all()
