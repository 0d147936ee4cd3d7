"""Trip-outs beside the condition."""

ADDED = """
    trip_outs_per_year trip_outs_low trip_outs_high avoided_to_target_per_year benefit_rank
    chance_worst_tenth_benefit treatment_can_help
""".split()


def join(condition, outages):
    """Condition of the towers with the trip-outs that each causes.

    Parameters
    ----------
    condition : pandas.DataFrame
        One row a tower.
    outages : Outages
        Of the same towers.

    Returns
    -------
    pandas.DataFrame
        The same rows and order with trip_outs_per_year and the ends of its band, avoided_to_target_per_year,
        benefit_rank, chance_worst_tenth_benefit and treatment_can_help.
    """
    kept = condition.drop(columns=[name for name in ADDED if name in condition])
    told = outages.towers[["tower_id", *ADDED]]
    return kept.merge(told, on="tower_id", how="left", validate="1:1").set_axis(condition.index)
