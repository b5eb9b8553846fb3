"""What moves the pressure: the gate to the valves, timed shots, a controller, the ramp."""
