"""Physics of one simulated motor on one lens ring, advanced by one 1 ms tick.

Everything is seen at the ring, in SI units: the rotor's angle is divided and its inertia multiplied by the gear ratio
(squared). Equations, numerical method and sources are on the reference page `hwsim/MODEL.md`.

State and parameters are flat sequences of floats addressed by the constants below, so that one source serves plain
Python (lists are fastest) and numba (arrays).
"""

from __future__ import annotations

import math
from collections.abc import MutableSequence, Sequence

from ringlet.hwsim.kernel import kernel

TICK_S = 1e-3
SUBSTEPS = 4
SUBSTEP_S = TICK_S / SUBSTEPS
INV_SUBSTEP = 1.0 / SUBSTEP_S
COPPER_PER_K = 0.00393  # IEC 60028: standard annealed copper at 20 degrees C
NEVER = 1e30  # "no such limit": no stop, no slip
THETA = 0.55  # weight of the step's end where nothing stiff touches; 1 (backward Euler) where it does
MAP_POINTS = 17
NEWTON = 6
PIECES = 135  # 3 each for rotor friction, ring friction and stop, 5 for the mesh

# Plant parameters. Angles rad, torques Nm, inertias kg m2, all at the ring.
(
    P_THETA, P_J1, P_J2, P_KT, P_R20, P_L,
    P_FC1, P_FS1, P_VS1, P_C1, P_SIGMA1, P_D1, P_LOADLOSS,
    P_FC2, P_FS2, P_VS2, P_C2, P_SIGMA2, P_D2,
    P_K, P_CM, P_HALFLASH,
    P_STOPLO, P_STOPHI, P_KS, P_CS,
    P_TA11, P_TA12, P_TA21, P_TA22, P_TB11, P_TB12, P_TB21, P_TB22,
    P_MAPX0, P_MAPINV,
    P_IKP, P_IKI, P_COUNTS,
    P_MAP,
) = range(40)  # fmt: skip
PLANT_PARAMETERS = P_MAP + MAP_POINTS

# State. Index 1 is the rotor with gearhead, 2 the ring. Energies in J, temperatures in degrees C.
(
    S_Q1, S_W1, S_U1, S_Z1, S_M1,
    S_Q2, S_W2, S_U2, S_Z2, S_M2,
    S_I, S_IINT, S_VBRIDGE, S_ISUPPLY,
    S_TMESH, S_MMESH, S_OFFSET, S_TSTOP, S_MSTOP,
    S_TW, S_TC, S_TAMB, S_COLD, S_BLOCK, S_SLIP,
    S_EIN, S_ECOPPER, S_EROTOR, S_ERING, S_ECONTACT, S_ESLIP, S_ESTEP,
) = range(32)  # fmt: skip
PLANT_STATES = 32

COAST, CURRENT, VOLTAGE = 0, 1, 2


@kernel
def plant_tick(
    p: Sequence[float], s: MutableSequence[float], mode: int, command: float, supply_v: float
) -> None:
    """Advance state `s` by 1 ms. `mode`: COAST (bridge open), CURRENT (`command` in A, through the board's current loop
    at 4 kHz, limited by `supply_v`) or VOLTAGE (`command` in V straight at the winding)."""
    h = SUBSTEP_S
    j1 = p[P_J1]
    j2 = p[P_J2]
    kt = p[P_KT]
    sigma1 = p[P_SIGMA1]
    sigma2 = p[P_SIGMA2]
    d1 = p[P_D1]
    d2 = p[P_D2]
    c1 = p[P_C1]
    k = p[P_K]
    cm = p[P_CM]
    half = p[P_HALFLASH]
    stop_lo = p[P_STOPLO]
    stop_hi = p[P_STOPHI]
    ks = p[P_KS]
    cs = p[P_CS]
    card_theta = p[P_THETA]
    fc1 = p[P_FC1]
    rise1 = p[P_FS1] - fc1
    inv_vs1 = 1.0 / p[P_VS1]
    load_loss = p[P_LOADLOSS]
    inv_vs2 = 1.0 / p[P_VS2]
    ikp = p[P_IKP]
    iki = p[P_IKI]

    q1 = s[S_Q1]
    w1 = s[S_W1]
    u1 = s[S_U1]
    z1 = s[S_Z1]
    m1 = s[S_M1]
    q2 = s[S_Q2]
    w2 = s[S_W2]
    u2 = s[S_U2]
    z2 = s[S_Z2]
    m2 = s[S_M2]
    cur = s[S_I]
    iint = s[S_IINT]
    tm = s[S_TMESH]
    mm = s[S_MMESH] if half > 0.0 else 1.0  # without play the mesh is a spring both ways
    off = s[S_OFFSET]
    ts = 0.0
    ms = s[S_MSTOP]
    slip = s[S_SLIP]

    # Slow quantities once a tick: winding resistance, friction over travel and temperature.
    r = p[P_R20] * (1.0 + COPPER_PER_K * (s[S_TW] - 20.0))
    lr = p[P_L] / r
    if lr > 0.0:
        decay = math.exp(-h / lr)
        phi = (1.0 - decay) * lr / h
    else:
        decay = 0.0
        phi = 0.0
    inv_r = 1.0 / r
    ig = (1.0 - phi) * inv_r
    ib = 0.0 if mode == COAST else kt * ig
    copper2 = 2.0 * phi * h
    copper3 = 0.5 * lr * (1.0 - decay * decay)
    k_half = k * half
    ks_lo = ks * stop_lo
    ks_hi = ks * stop_hi
    x = (q2 - p[P_MAPX0]) * p[P_MAPINV]
    if x <= 0.0:
        factor = p[P_MAP]
    elif x >= MAP_POINTS - 1.0:
        factor = p[P_MAP + MAP_POINTS - 1]
    else:
        n = int(x)
        low = p[P_MAP + n]
        factor = low + (x - n) * (p[P_MAP + n + 1] - low)
    factor *= s[S_COLD]
    c2 = p[P_C2] * s[S_COLD]
    block = s[S_BLOCK]
    fc2 = p[P_FC2] * factor + block
    rise2 = (p[P_FS2] - p[P_FC2]) * factor
    if block > 0.0:
        sigma2 += block

    e_in = 0.0
    e_copper = 0.0
    e_rotor = 0.0
    e_ring = 0.0
    e_contact = 0.0
    e_step = 0.0
    e_slip = 0.0
    volts = 0.0
    if mode == COAST:
        # The opened bridge lets the winding's energy back into the supply through its diodes, within microseconds.
        e_in = -0.5 * p[P_L] * cur * cur
        cur = 0.0
        iint = 0.0

    for _ in range(SUBSTEPS):
        # Winding: exact for constant speed within the substep; mean current = ia - ib * u1.
        ia = 0.0
        if mode != COAST:
            if mode == CURRENT:
                error = command - cur
                volts = ikp * error + iint + kt * u1
                if volts > supply_v:
                    volts = supply_v
                    if error < 0.0:
                        iint += iki * error
                elif volts < -supply_v:
                    volts = -supply_v
                    if error > 0.0:
                        iint += iki * error
                else:
                    iint += iki * error
            else:
                volts = command
            ia = volts * ig + cur * phi

        # Backward Euler where a stop may be touched, else the card's theta.
        reach = 2.0 * h * (abs(w1) + abs(w2))
        near_stop = ms != 0.0 or q2 + reach > stop_hi or q2 - reach < stop_lo
        theta = 1.0 if near_stop else card_theta
        hh = theta * h
        inv_theta = 1.0 / theta
        j1h = j1 * inv_theta * INV_SUBSTEP
        j2h = j2 * inv_theta * INV_SUBSTEP

        # Friction strength (Stribeck curve of Hess and Soom), lagged by one substep.
        x = u1 * inv_vs1
        f1 = fc1 + rise1 / (1.0 + x * x) + load_loss * abs(tm)
        x = u2 * inv_vs2
        f2 = fc2 + rise2 / (1.0 + x * x)
        y1 = sigma1 * z1
        g1 = sigma1 * hh + d1
        y2 = sigma2 * z2
        g2 = sigma2 * hh + d2
        gm = k * hh + cm
        gs = ks * hh + cs
        play = q1 - q2 - off
        base1 = j1h + kt * ib + c1
        base2 = j2h + c2
        r1 = j1h * w1 + kt * ia
        r2 = j2h * w2

        # Implicit solve. Every element is a monotone, piecewise linear function of the speeds, so there is one
        # solution; Newton on the pieces finds it in one or two trials. If it goes in circles, all pieces are tried.
        slack = 0.0
        for trial in range(NEWTON + PIECES):
            if trial >= NEWTON:
                slack = 1e-9  # relative: on the border of two pieces rounding may refuse both
                piece = trial - NEWTON
                m1 = piece % 3 - 1.0
                m2 = piece // 3 % 3 - 1.0
                mm = piece // 9 % 5 - 2.0
                ms = piece // 45 - 1.0 if near_stop else 0.0
                if half == 0.0 and abs(mm) < 2.0:
                    mm = 1.0
            a1 = base1
            a2 = base2
            b1 = r1
            b2 = r2
            if m1 == 0.0:
                a1 += g1
                b1 -= y1
            else:
                b1 -= m1 * f1
            if m2 == 0.0:
                a2 += g2
                b2 -= y2
            else:
                b2 -= m2 * f2
            if ms != 0.0:
                a2 += gs
                ts = ks * (q2 - (stop_hi if ms > 0.0 else stop_lo))
                b2 -= ts
            # [a1 + gm, -gm; -gm, a2 + gm] u = [b1 - tm; b2 + tm], written out so that a stiff mesh cancels no digits.
            if mm == 1.0 or mm == -1.0:
                tm = k * (play - mm * half)
                inv = 1.0 / (a1 * a2 + gm * (a1 + a2))
                x = gm * (b1 + b2)
                u1 = ((b1 - tm) * a2 + x) * inv
                u2 = ((b2 + tm) * a1 + x) * inv
                rel = (b1 * a2 - b2 * a1 - tm * (a1 + a2)) * inv
            else:
                tm = 0.5 * mm * slip if mm != 0.0 else 0.0
                u1 = (b1 - tm) / a1
                u2 = (b2 + tm) / a2
                rel = u1 - u2

            x = y1 + g1 * u1
            n1 = 1.0 if x > f1 else (-1.0 if x < -f1 else 0.0)
            fit = n1 == m1 or abs(abs(x) - f1) <= slack * f1
            x = y2 + g2 * u2
            n2 = 1.0 if x > f2 else (-1.0 if x < -f2 else 0.0)
            fit = fit and (n2 == m2 or abs(abs(x) - f2) <= slack * f2)
            x = k * play + gm * rel
            y = abs(x) - k_half
            if y > slip:
                nm = 2.0 if x > 0.0 else -2.0
            elif half == 0.0:
                nm = 1.0
            elif y > 0.0:
                nm = 1.0 if x > 0.0 else -1.0
            else:
                nm = 0.0
            fit = fit and (nm == mm or abs(y) <= slack * k_half or abs(y - slip) <= slack * slip)
            ns = ms
            if near_stop:
                x = ks * q2 + gs * u2
                ns = 1.0 if x > ks_hi else (-1.0 if x < ks_lo else 0.0)
                y = ks_hi if x > 0.0 else ks_lo
                fit = fit and (ns == ms or abs(x - y) <= slack * abs(y))
            if fit:
                break
            m1 = n1
            m2 = n2
            mm = nm
            ms = ns

        # Torques of this substep, then states.
        new = z1 + h * u1
        if m1 == 0.0:
            t1 = y1 + g1 * u1
        else:
            t1 = m1 * f1
            if new * sigma1 * m1 > f1:
                new = t1 / sigma1
        e_rotor += (t1 + c1 * u1) * u1 * h - 0.5 * sigma1 * (new * new - z1 * z1)
        z1 = new
        new = z2 + h * u2
        if m2 == 0.0:
            t2 = y2 + g2 * u2
        else:
            t2 = m2 * f2
            if new * sigma2 * m2 > f2:
                new = t2 / sigma2
        e_ring += (t2 + c2 * u2) * u2 * h - 0.5 * sigma2 * (new * new - z2 * z2)
        z2 = new
        if mm == 1.0 or mm == -1.0:
            tm += gm * rel
        x = max(0.0, abs(play) - half)
        y = max(0.0, abs(play + h * rel) - half)
        if mm == 2.0 or mm == -2.0:
            # A gear slipping on its shaft: its seat shifts until the teeth are pressed in by no more than the grip.
            if k * y > slip:
                off += (1.0 if tm > 0.0 else -1.0) * (y - slip / k)
                y = slip / k
            e_slip += tm * rel * h - 0.5 * k * (y * y - x * x)
        else:
            e_contact += tm * rel * h - 0.5 * k * (y * y - x * x)
        if near_stop:
            ts = ts + gs * u2 if ms != 0.0 else 0.0
            x = max(0.0, q2 - stop_hi, stop_lo - q2)
            y = q2 + h * u2
            y = max(0.0, y - stop_hi, stop_lo - y)
            e_contact += ts * u2 * h - 0.5 * ks * (y * y - x * x)
        if mode != COAST:
            mean = ia - ib * u1
            steady = (volts - kt * u1) * inv_r
            x = cur - steady
            e_in += volts * mean * h
            e_copper += r * (steady * (steady * h + x * copper2) + x * x * copper3)
            cur = steady + x * decay
        x = (u1 - w1) * inv_theta
        y = (u2 - w2) * inv_theta
        e_step += (theta - 0.5) * (j1 * x * x + j2 * y * y)
        w1 += x
        w2 += y
        q1 += h * u1
        q2 += h * u2

    # Heat: copper into the winding, rotor and gearhead friction into the case; exact for constant power.
    s[S_ISUPPLY] = e_in / (TICK_S * supply_v) if supply_v > 0.0 else 0.0
    heat_w = e_copper / TICK_S
    heat_c = e_rotor / TICK_S
    tw = s[S_TW] - s[S_TAMB]
    tc = s[S_TC] - s[S_TAMB]
    s[S_TW] = s[S_TAMB] + p[P_TA11] * tw + p[P_TA12] * tc + p[P_TB11] * heat_w + p[P_TB12] * heat_c
    s[S_TC] = s[S_TAMB] + p[P_TA21] * tw + p[P_TA22] * tc + p[P_TB21] * heat_w + p[P_TB22] * heat_c

    s[S_Q1] = q1
    s[S_W1] = w1
    s[S_U1] = u1
    s[S_Z1] = z1
    s[S_M1] = m1
    s[S_Q2] = q2
    s[S_W2] = w2
    s[S_U2] = u2
    s[S_Z2] = z2
    s[S_M2] = m2
    s[S_I] = cur
    s[S_IINT] = iint
    s[S_VBRIDGE] = volts
    s[S_TMESH] = tm
    s[S_MMESH] = mm
    s[S_OFFSET] = off
    s[S_TSTOP] = ts
    s[S_MSTOP] = ms
    s[S_EIN] += e_in
    s[S_ECOPPER] += e_copper
    s[S_EROTOR] += e_rotor
    s[S_ERING] += e_ring
    s[S_ECONTACT] += e_contact
    s[S_ESTEP] += e_step
    s[S_ESLIP] += e_slip


@kernel
def supply_tick(bus_v: float, volts: float, ohms: float, decay: float, drawn_a: float) -> float:
    """Bus voltage after 1 ms with `drawn_a` drawn; `decay` is exp(-tick / (ohms x capacitor))."""
    steady = volts - ohms * drawn_a
    return max(0.0, steady + (bus_v - steady) * decay)


def supply_decay(ohms: float, capacitor_uf: float) -> float:
    """What is left of a voltage step after 1 ms."""
    spread = ohms * capacitor_uf * 1e-6
    return math.exp(-TICK_S / spread) if spread > 0.0 else 0.0


def stored_energy_j(p: Sequence[float], s: Sequence[float]) -> float:
    """Energy in J held in moving masses, winding, friction bristles, gear mesh and end stop."""
    over = max(0.0, abs(s[S_Q1] - s[S_Q2] - s[S_OFFSET]) - p[P_HALFLASH])
    past = max(0.0, s[S_Q2] - p[P_STOPHI], p[P_STOPLO] - s[S_Q2])
    sigma2 = p[P_SIGMA2] + (s[S_BLOCK] if s[S_BLOCK] > 0.0 else 0.0)
    return 0.5 * (
        p[P_J1] * s[S_W1] ** 2
        + p[P_J2] * s[S_W2] ** 2
        + p[P_L] * s[S_I] ** 2
        + p[P_SIGMA1] * s[S_Z1] ** 2
        + sigma2 * s[S_Z2] ** 2
        + p[P_K] * over**2
        + p[P_KS] * past**2
    )
