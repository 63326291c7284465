"""The invented cars that generated events are driven with.

`TUNED` and `DRAWN` may be looked at while the analysis is developed: a few cars known by heart, and as many as one
likes that nobody has met, so that what is learned is physics and not ten cars. `HELD_OUT` never is: only figures are
read off it.
"""

from dataclasses import replace
from random import Random

from logger.event import FuelSystem, TachSource
from logger.virtualcar.car import CarSpec
from logger.virtualcar.driveline import Chassis
from logger.virtualcar.electrics import Coil
from logger.virtualcar.engine import EngineSpec


def _car(
    name: str, engine: EngineSpec, chassis: Chassis, coil: Coil | None = None, alternator_a: float = 55.0
) -> CarSpec:
    return CarSpec(name, engine, chassis, coil or Coil(), alternator_a)


def _gears(first: float, *steps: float) -> tuple[float, ...]:
    gears = [first]
    for step in steps:
        gears.append(gears[-1] * step)
    return tuple(gears)


TUNED: dict[str, CarSpec] = {
    car.name: car
    for car in (
        _car("four_injected", EngineSpec(), Chassis()),
        _car(
            "four_carburettor",
            EngineSpec(
                litres=1.3, inertia=0.11, idle_rpm=950.0, redline_rpm=6800.0, peak_rpm=4400.0, rail_kpa=30.0,
                fuel_system="carburettor", manifold_referenced=False, overrun_cut=False, idle_control=False,
                timing_scatter_deg=0.5, cyclic_variation=0.026,
            ),
            Chassis(mass=760.0, gears=_gears(16.0, 0.58, 0.68, 0.74), clutch_nm=170.0), alternator_a=35.0,
        ),
        _car(
            "six_injected",
            EngineSpec(cylinders=6, litres=2.5, inertia=0.18, idle_rpm=820.0, redline_rpm=6400.0, rail_kpa=300.0,
            limiter="fuel"),
            Chassis(mass=1120.0, gears=_gears(13.2, 0.61, 0.69, 0.75), clutch_nm=360.0, shaft_hz=4.0),
        ),
        _car(
            "six_carburettor",
            EngineSpec(
                cylinders=6, litres=2.8, inertia=0.26, idle_rpm=750.0, redline_rpm=5600.0, peak_rpm=3300.0,
                rail_kpa=32.0,
                fuel_system="carburettor", manifold_referenced=False, overrun_cut=False, idle_control=False,
                timing_scatter_deg=0.6, cyclic_variation=0.028,
            ),
            Chassis(mass=1180.0, gears=_gears(12.0, 0.6, 0.68), clutch_nm=360.0, shaft_hz=3.6), alternator_a=45.0,
        ),
        _car(
            "eight_single_point",
            EngineSpec(
                cylinders=8, litres=3.5, inertia=0.28, idle_rpm=700.0, redline_rpm=5600.0, peak_rpm=3200.0,
                rail_kpa=100.0,
                fuel_system="single_point", manifold_referenced=False, dwell_ms=2.6,
            ),
            Chassis(mass=1350.0, gears=_gears(11.0, 0.62, 0.68, 0.74), clutch_nm=480.0, shaft_hz=4.4),
            alternator_a=65.0,
        ),
        _car(
            "four_mechanical_injection",
            EngineSpec(
                litres=1.8, inertia=0.15, idle_rpm=900.0, redline_rpm=6700.0, peak_rpm=4600.0, rail_kpa=490.0,
                fuel_system="mechanical_injection", manifold_referenced=False, limiter="spark",
            ),
            Chassis(mass=900.0, gears=_gears(15.2, 0.57, 0.68, 0.75)),
        ),
        _car(
            "four_turbo",
            EngineSpec(
                litres=2.0, inertia=0.17, idle_rpm=880.0, redline_rpm=6300.0, peak_rpm=3800.0, boost_kpa=70.0,
                rail_kpa=280.0, limiter="fuel",
            ),
            Chassis(mass=1150.0, gears=_gears(14.0, 0.58, 0.68, 0.75), clutch_nm=420.0, grip=0.85, driven_share=0.8),
        ),
        _car(
            "three_injected",
            EngineSpec(cylinders=3, litres=1.0, inertia=0.1, idle_rpm=900.0, redline_rpm=6400.0,
            cyclic_variation=0.022),
            Chassis(mass=720.0, gears=_gears(17.5, 0.56, 0.66, 0.73), clutch_nm=140.0, driven_share=0.6),
        ),
        _car(
            "four_wasted_spark",
            EngineSpec(
                litres=1.6, inertia=0.13, idle_rpm=850.0, redline_rpm=7000.0, peak_rpm=4800.0, rail_kpa=300.0,
                tach_source="ignition_module", tach_pulses_per_revolution=1.0, limiter="spark",
            ),
            Chassis(mass=930.0),
        ),
        _car(
            "one_two_stroke",
            EngineSpec(
                cylinders=1, strokes=2, litres=0.35, inertia=0.028, idle_rpm=1300.0, redline_rpm=7200.0,
                peak_rpm=5200.0,
                rail_kpa=25.0, fuel_system="carburettor", manifold_referenced=False, overrun_cut=False,
                idle_control=False,
                cyclic_variation=0.03,
            ),
            Chassis(mass=330.0, gears=_gears(19.0, 0.62, 0.72, 0.8), clutch_nm=60.0, drag=0.35), alternator_a=20.0,
        ),
    )
}  # fmt: skip

HELD_OUT: dict[str, CarSpec] = {
    car.name: car
    for car in (
        _car(
            "five_turbo_mechanical",
            EngineSpec(
                cylinders=5, litres=2.1, inertia=0.2, idle_rpm=850.0, redline_rpm=6500.0, peak_rpm=3900.0,
                boost_kpa=80.0,
                rail_kpa=520.0, fuel_system="mechanical_injection", manifold_referenced=False, limiter="spark",
            ),
            Chassis(mass=1220.0, gears=_gears(13.4, 0.59, 0.69, 0.76, 0.8), clutch_nm=460.0, grip=0.9,
            driven_share=1.0),
            alternator_a=70.0,
        ),
        _car(
            "four_small_carburettor",
            EngineSpec(
                litres=1.0, inertia=0.085, idle_rpm=1000.0, redline_rpm=7200.0, peak_rpm=4900.0, rail_kpa=24.0,
                fuel_system="carburettor", manifold_referenced=False, overrun_cut=False, idle_control=False,
                timing_scatter_deg=0.55, cyclic_variation=0.03,
            ),
            Chassis(mass=640.0, gears=_gears(17.0, 0.57, 0.67, 0.74), clutch_nm=130.0, driven_share=0.6),
            alternator_a=30.0,
        ),
        _car(
            "six_control_unit",
            EngineSpec(
                cylinders=6, litres=3.0, inertia=0.2, idle_rpm=760.0, redline_rpm=6500.0, peak_rpm=4300.0,
                rail_kpa=330.0,
                tach_source="control_unit", tach_pulses_per_revolution=2.0, limiter="fuel",
            ),
            Chassis(mass=1260.0, gears=_gears(12.6, 0.6, 0.7, 0.77, 0.82), clutch_nm=430.0, shaft_hz=4.2),
        ),
        _car(
            "eight_carburettor",
            EngineSpec(
                cylinders=8, litres=4.3, inertia=0.34, idle_rpm=680.0, redline_rpm=5400.0, peak_rpm=3000.0,
                rail_kpa=40.0,
                fuel_system="carburettor", manifold_referenced=False, overrun_cut=False, idle_control=False,
                timing_scatter_deg=0.6, dwell_ms=2.8,
            ),
            Chassis(mass=1400.0, gears=_gears(10.2, 0.63, 0.7), clutch_nm=560.0, shaft_hz=3.8),
        ),
        _car(
            "two_air_cooled",
            EngineSpec(
                cylinders=2, litres=0.65, inertia=0.075, idle_rpm=950.0, redline_rpm=6200.0, peak_rpm=4300.0,
                rail_kpa=20.0,
                fuel_system="carburettor", manifold_referenced=False, overrun_cut=False, idle_control=False,
                tach_pulses_per_revolution=1.0, cyclic_variation=0.026,
            ),
            Chassis(mass=560.0, gears=_gears(18.5, 0.57, 0.66, 0.72), clutch_nm=95.0, driven_share=0.6),
            alternator_a=28.0,
        ),
        _car(
            "four_sixteen_valve",
            EngineSpec(
                litres=2.0, inertia=0.12, idle_rpm=920.0, redline_rpm=7400.0, peak_rpm=5200.0, rail_kpa=260.0,
                limiter="spark",
                cyclic_variation=0.015,
            ),
            Chassis(mass=990.0, gears=_gears(14.8, 0.63, 0.73, 0.8, 0.84), clutch_nm=300.0, grip=0.85, shaft_hz=6.0),
        ),
        _car(
            "six_crank_pickup",
            EngineSpec(
                cylinders=6, litres=2.2, inertia=0.16, idle_rpm=880.0, redline_rpm=6900.0, peak_rpm=4700.0,
                rail_kpa=240.0,
                tach_source="crank", tach_pulses_per_revolution=3.0,
            ),
            Chassis(mass=1010.0, gears=_gears(14.2, 0.6, 0.7, 0.78)),
        ),
    )
}  # fmt: skip


def drawn(number: int) -> CarSpec:
    """Car `number` of the endless street: layout, fuel system, tach wire and size at random, the rest to suit."""
    random = Random(f"drawn car {number}")
    cylinders = random.choice((1, 2, 3, 4, 4, 4, 4, 5, 6, 6, 8, 8))
    strokes = 2 if cylinders <= 3 and random.random() < 0.35 else 4
    litres = round(cylinders * random.uniform(0.26, 0.58), 2)
    system: FuelSystem = random.choice(
        ("port_injection", "port_injection", "single_point", "mechanical_injection", "carburettor")
    )
    if cylinders <= 2 or strokes == 2:
        system = "carburettor"
    rail_kpa = {
        "port_injection": random.uniform(220.0, 350.0), "single_point": random.uniform(70.0, 110.0),
        "mechanical_injection": random.uniform(460.0, 540.0), "carburettor": random.uniform(18.0, 42.0),
    }[system]  # fmt: skip
    sources: list[tuple[TachSource, float | None]] = [("coil_negative", None)] * 5
    sources += [("control_unit", 2.0)] if system in ("port_injection", "single_point") else []
    sources += [("crank", 3.0), ("ignition_module", 1.0)] if cylinders % 2 == 0 and strokes == 4 else []
    source, pulses = random.choice(sources)
    redline = random.uniform(6200.0, 7400.0) - 180.0 * cylinders
    boosted = system in ("port_injection", "mechanical_injection") and random.random() < 0.2
    boost_kpa = random.uniform(40.0, 90.0) if boosted else 0.0
    engine = EngineSpec(
        cylinders=cylinders, strokes=strokes, litres=litres,
        inertia=litres * random.uniform(0.065, 0.105) * (1.6 if cylinders == 1 else 1.0),
        idle_rpm=random.uniform(880.0, 1150.0) - 40.0 * cylinders, redline_rpm=redline,
        peak_rpm=redline * random.uniform(0.55, 0.7), boost_kpa=boost_kpa,
        fuel_system=system, rail_kpa=rail_kpa, manifold_referenced=system == "port_injection",
        tach_source=source, tach_pulses_per_revolution=pulses,
        limiter=random.choice(("none", "none", "spark")) if system != "port_injection" else "fuel",
        overrun_cut=system in ("port_injection", "mechanical_injection"), idle_control=system != "carburettor",
        cyclic_variation=random.uniform(0.014, 0.03), timing_scatter_deg=random.uniform(0.2, 0.6),
        dwell_ms=random.uniform(2.6, 3.6),
    )  # fmt: skip
    steps = [random.uniform(0.56, 0.63), random.uniform(0.65, 0.73), random.uniform(0.73, 0.8)]
    chassis = Chassis(
        mass=min(1450.0, random.uniform(0.85, 1.15) * (250.0 + 420.0 * litres**0.8)),
        gears=_gears(18.0 - 1.9 * litres + random.uniform(-1.0, 1.0), *steps[: random.randint(2, 3)]),
        clutch_nm=litres * 150.0 * (1.0 + boost_kpa / 100.0), grip=random.uniform(0.65, 0.9),
        driven_share=random.choice((0.55, 0.6, 1.0)), shaft_hz=random.uniform(3.6, 6.0),
    )  # fmt: skip
    return _car(f"drawn_{number:02d}", engine, chassis, alternator_a=18.0 + 14.0 * litres)


DRAWN: dict[str, CarSpec] = {car.name: car for car in map(drawn, range(100))}
CARS = TUNED | HELD_OUT | DRAWN


def as_built(car: CarSpec, random: Random) -> CarSpec:
    """One example of a type: mass, inertia, idle, redline, pressure and electrics off the book by some per cent."""

    def about(value: float, share: float) -> float:
        return value * random.uniform(1.0 - share, 1.0 + share)

    engine, chassis = car.engine, car.chassis
    return replace(
        car,
        engine=replace(
            engine, litres=about(engine.litres, 0.05), inertia=about(engine.inertia, 0.15),
            idle_rpm=round(about(engine.idle_rpm, 0.07), -1), redline_rpm=round(about(engine.redline_rpm, 0.05), -2),
            rail_kpa=about(engine.rail_kpa, 0.06), cyclic_variation=about(engine.cyclic_variation, 0.3),
            cylinder_spread=about(engine.cylinder_spread, 0.5), timing_scatter_deg=about(engine.timing_scatter_deg,
            0.5),
            dwell_ms=about(engine.dwell_ms, 0.12),
        ),
        chassis=replace(
            chassis, mass=about(chassis.mass, 0.08), grip=about(chassis.grip, 0.18), shaft_hz=about(chassis.shaft_hz,
            0.2)
        ),
        set_v=random.uniform(13.7, 14.5), base_load_a=random.uniform(3.0, 8.0),
        lamps_a=random.choice((0.0, 0.0, 9.0)), fan_a=random.uniform(7.0, 16.0),
        thermostat_degc=random.uniform(80.0, 88.0), knocks_per_metre=about(car.knocks_per_metre, 0.5),
        knock_scale_g=random.uniform(0.8, 1.5), alternator_a=about(car.alternator_a, 0.1),
    )  # fmt: skip
