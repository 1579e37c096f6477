"""The room of sound in air: the weather, boxes, amplifier voltages, and the sum at a listener."""
