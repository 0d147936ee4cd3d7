"""Lightning performance of a shielded line, tower by tower: kV, kA, Ω, m, µs, flashes per km² and year.

Start at `towerlib.physics.lightning.rate.tower_rates`. For thousands of draws use `rate.tabulated_rates`, which
interpolates the same rates.
"""
