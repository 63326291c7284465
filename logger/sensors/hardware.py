"""All parts of one car's wiring as a single object with a single loop body.

The recorder drives it like this, on one thread, with any clock::

    hardware = open_hardware(settings, clock)          # on a Pi; or Hardware(settings, bus, pins, clock)
    hardware.show("recording")                         # the lamp: "recording", "sensor_missing", "not_recording"
    while not stopping:
        batch = hardware.poll(clock.monotonic_ns() + 100_000_000)
        ...                                            # store batch.samples, .pulses, .states, .gaps; publish .health
    last = hardware.finish()                           # what was still on its way, and gaps still open
    hardware.close()

`poll` samples until that time on the clock and returns a `batch.Batch`. It never raises for a sensor that is absent,
stuck or throwing: that is told in `batch.health` and retried with growing pauses, the other sensors go on. Pulse
times come from the kernel and are collected by gpiozero's own thread, so a poll that is late loses none.
"""
