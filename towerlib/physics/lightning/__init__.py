"""Lightning performance of a shielded line, tower by tower: kV, kA, Ω, m, µs, flashes per km² and year.

Start at `towerlib.physics.lightning.rate.tower_rates`; for draws by the thousand take `tabulated.tabulated_rates`,
which answers the same question from an interpolated table.
"""
