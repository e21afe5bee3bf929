"""The inputs for light, sound and TTL in ngspice: threshold, hysteresis, delay of the edges, levels at
the pins of both USB boards.

The comparator is a behavioural one: offset 5 mV, delay 1.3 us (LM339 at small overdrive, data sheet), an
open collector that reaches 0.25 V. The amplifier is ideal within the supplies and has 1 MHz.
"""

# ruff: noqa: E501 - tables and circuits are read unbroken

from __future__ import annotations

from pathlib import Path

from line_measurements import ngspice

SUPPLY_V = 5.0
VIO = {"Pico": ("Vio vio 0 3.3", 3.3), "Nano": ("Rio 5v vio 4.7k", 5.0)}

COMPARATOR = """\
.subckt comparator p m out
Bc c 0 V=(1+tanh((v(m)-v(p)+5m)*2000))/2
Rc c d 1k
Cc d 0 1.2n
Sc out low d 0 sw
Vlow low 0 0.25
.model sw sw(vt=0.5 vh=0.05 ron=50 roff=100meg)
.ends
"""


def light(module: str, noise: float, work: Path) -> dict[str, float]:
    """A step of 0.3 mA of a phototransistor at 100 us and back at 600 us, with a sine of `noise` of
    the step and 50 kHz on it; threshold in the middle. Delay of both edges and the number of edges.
    """
    supply, _ = VIO[module]
    text = f"""* light
{COMPARATOR}
V5 5v 0 {SUPPLY_V}
{supply}
Bl 5v light I=0.3m*(v(step)+{noise}*sin(6.2832*50k*time)*v(step))
Vstep step 0 PULSE(0 1 100u 100n 100n 500u 10m)
R12 light tap 3.9k
R13 tap 0 6.2k
C22 tap 0 330p
R14 tap level 1k
Cp level 0 20p
R15 5v top 6.8k
RVa top thr 6.9k
RVb thr 0 3.1k
R16 thr pos 10k
R17 pos out 470k
R18 vio out 33k
X1 pos tap out comparator
R19 out dig 1k
Cd dig 0 20p
.options reltol=1e-3
.tran 0.2u 900u
.meas tran onset WHEN v(dig)=1.5 FALL=1
.meas tran offset WHEN v(dig)=1.5 RISE=LAST
.meas tran lastfall WHEN v(dig)=1.5 FALL=LAST
.meas tran firstrise WHEN v(dig)=1.5 RISE=1
.meas tran level MAX v(level) FROM=50u TO=800u
.meas tran upper MAX v(pos) FROM=50u TO=90u
.meas tran lower MIN v(pos) FROM=300u TO=500u
.meas tran high MAX v(dig) FROM=50u TO=90u
.end
"""
    names = {"onset", "offset", "lastfall", "firstrise", "level", "upper", "lower", "high"}
    return ngspice(text, work / f"light-{module}-{noise}.cir", names)


def sound(module: str, peak: float, work: Path) -> dict[str, float]:
    """A tone of 1 kHz of `peak` volts from 2 to 22 ms, attack 5 ms, gain 5.7. Onset, offset, and when
    the envelope crosses the threshold of the window.
    """
    supply, _ = VIO[module]
    text = f"""* sound
{COMPARATOR}
V5 5v 0 {SUPPLY_V}
{supply}
Venv env 0 PWL(0 0 2m 0 7m {peak} 22m {peak} 22.1m 0 60m 0)
Bs src 0 V=v(env)*sin(6.2832*1k*(time-2m))
C24 src in 1u
R27 in mid 100k
R28 in snd 1k
R33 5v hi 10k
R34 hi mid 1.1k
R35 mid lo 1.1k
R36 lo 0 10k
C27 mid 0 1u
Be e 0 V=max(0.02,min({SUPPLY_V}-0.02,v(mid)+5.7*(v(snd)-v(mid))))
Re e aout 100
Ce aout 0 200p
X2 hi aout hit comparator
X3 aout lo hit comparator
R37 hold hit 100
R38 5v hold 470k
C28 hold 0 47n
R39 hold hpos 100k
R40 hpos out 1meg
R41 vio out 33k
X4 hpos mid out comparator
R42 out dig 1k
Cd dig 0 20p
R30 aout tap 3.9k
R31 tap 0 6.2k
C26 tap 0 1n
.ic v(hold)=5 v(mid)=2.5 v(in)=2.5
.options reltol=2e-3 method=gear
.tran 5u 60m uic
.meas tran onset WHEN v(dig)=1.5 FALL=1 TD=1m
.meas tran offset WHEN v(dig)=1.5 RISE=LAST
.meas tran envelope WHEN v(env)={0.248 / 5.7} RISE=1
.meas tran level MAX v(tap) FROM=1m TO=50m
.end
"""
    return ngspice(
        text, work / f"sound-{module}-{peak}.cir", {"onset", "offset", "envelope", "level"}
    )


def ttl(module: str, work: Path) -> dict[str, float]:
    """A slow ramp up and down at the TTL input: both thresholds; and the delay of a fast edge of 3.3 V."""
    supply, _ = VIO[module]
    common = f"""{COMPARATOR}
V5 5v 0 {SUPPLY_V}
{supply}
R20 5v ttl 47k
R21 ttl tin 10k
C23 tin 0 100p
R22 5v ref 10k
R23 ref 0 3.9k
X1 tin ref out comparator
R24 tin out 220k
R25 vio out 33k
R26 out dig 1k
Cd dig 0 20p
"""
    ramp = f"""* ttl ramp
{common}
Vin ttl 0 PWL(0 0 10m 3 20m 0)
.tran 5u 20m
.meas tran rise FIND v(ttl) WHEN v(dig)=1.5 RISE=1
.meas tran fall FIND v(ttl) WHEN v(dig)=1.5 FALL=1
.end
"""
    edge = f"""* ttl edge
{common}
Vin ttl 0 PULSE(0 3.3 20u 20n 20n 50u 1)
.tran 50n 120u
.meas tran up WHEN v(dig)=1.5 RISE=1
.meas tran down WHEN v(dig)=1.5 FALL=1 TD=60u
.end
"""
    got = ngspice(ramp, work / f"ttl-ramp-{module}.cir", {"rise", "fall"})
    return got | ngspice(edge, work / f"ttl-edge-{module}.cir", {"up", "down"})


def markdown(work: Path) -> str:
    """The tables of the inputs."""
    text = """
## Inputs

Comparators with offset and delay of the LM339; 5 V; measured in simulation. Of the time of the light input 1.3 µs are the
comparator's, the rest is the filter (C22, and R13). The light sensor's own time comes on top: a phototransistor behind 10 kΩ takes
tens of µs, which its data sheet tells, often for a smaller resistor.

| input | USB board | signal | onset after the signal | end after the signal | one edge each |
| --- | --- | --- | --- | --- | --- |
"""
    for module in VIO:
        for noise in (0.0, 0.05):
            got = light(module, noise, work)
            single = (
                abs(got["lastfall"] - got["onset"]) < 1e-9
                and abs(got["offset"] - got["firstrise"]) < 1e-9
            )
            text += f"| light | {module} | step of 0.3 mA, noise {noise:.0%} | {(got['onset'] - 100e-6) * 1e6:.1f} µs | {(got['offset'] - 600e-6) * 1e6:.1f} µs | {'yes' if single else '**no**'} |\n"
        for peak in (0.1, 0.5):
            got = sound(module, peak, work)
            text += f"| sound | {module} | 1 kHz, {peak} V peak, attack 5 ms | {(got['onset'] - got['envelope']) * 1e3:.2f} ms after the envelope crosses | {(got['offset'] - 22e-3) * 1e3:.0f} ms | - |\n"
        got = ttl(module, work)
        text += f"| TTL | {module} | 3.3 V | {(got['up'] - 20e-6) * 1e6:.1f} µs | {(got['down'] - 70.04e-6) * 1e6:.1f} µs | yes: {got['rise']:.2f} V up, {got['fall']:.2f} V down |\n"
    got, nano = light("Pico", 0.0, work), light("Nano", 0.0, work)
    text += f"""
Hysteresis of the light input: {(got["upper"] - got["lower"]) * 1e3:.0f} mV with a Pico, {(nano["upper"] - nano["lower"]) * 1e3:.0f} mV with a Nano.
High level at the digital pin: {got["high"]:.2f} V and {nano["high"]:.2f} V (a Nano needs 3.0 V). Level at the analog pins at most {got["level"]:.2f} V in this step.
"""
    return text
