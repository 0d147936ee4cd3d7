"""Loops of the quick plans in plain Python, every step from scratch: what the compiled loops must find too."""

from itertools import combinations

import numpy as np


def used(problem, selected):
    """Money and crew-weeks by year, and access groups with work in each year."""
    years = problem.constraints.years
    money, crew, visited = [0.0] * years, [0.0] * years, set()
    for cell in selected:
        if cell >= 0:
            option, year = divmod(int(cell), years)
            money[year] += problem.spend[option]
            crew[year] += problem.weeks[option]
            visited.add((problem.group[option], year))
    for year in range(years):
        money[year] += sum(
            problem.fee[group] for group in range(len(problem.fee)) if (group, year) in visited
        )
    return money, crew, visited


def within(problem, selected):
    money, crew, _ = used(problem, selected)
    budget, limit = problem.constraints.budget, problem.crew
    return all(
        money[year] <= budget[year] and crew[year] <= limit[year] for year in range(problem.constraints.years)
    )


def at_price(problem, worth, price, loads):
    """Option and year of each tower that bring most net of their priced load, group of units by group of units."""
    (load, fee_load), years, towers = loads, problem.constraints.years, len(problem.unit)
    selected = np.full(towers, -1)
    for group, home in enumerate(problem.home):
        units = _part(problem.group_starts, group, len(problem.unit_starts))
        best, most = None, -np.inf
        for visits in _year_sets(years):
            trial, earned = {}, 0.0
            for unit in units:
                mine = _part(problem.unit_starts, unit, towers)
                gained, when = -np.inf, -1
                for year in visits:
                    found = [_best_option(problem, tower, year, worth, price, load) for tower in mine]
                    if sum(net for net, _ in found) > gained:
                        gained, when, options = sum(net for net, _ in found), year, found
                forced = any(problem.must_tower[tower] for tower in mine)
                if gained > (-np.inf if forced else 0.0):
                    earned += gained
                    cells = [option * years + when for _, option in options]
                    trial |= dict(zip(mine, cells, strict=True))
                elif forced:
                    earned = -np.inf
            earned -= price * sum(fee_load[home, year] for year in visits)
            if earned > most:
                best, most = trial, earned
        for tower, cell in (best or {}).items():
            selected[tower] = cell
    return selected


def _part(starts, number, end):
    """Members of a run."""
    ends = [*starts, end]
    return range(ends[number], ends[number + 1])


def _year_sets(years):
    return [chosen for size in range(years + 1) for chosen in combinations(range(years), size)]


def _best_option(problem, tower, year, worth, price, load):
    """Net worth and number of a tower's best option in a year, the first of equal ones."""
    options = np.flatnonzero(problem.tower == tower)
    net = [worth[option, year] - price * load[option, year] for option in options]
    place = int(np.argmax(net))
    return net[place], int(options[place])


def priced(problem, worth, loads, reach, steps):
    """The choice at the lowest price that keeps all limits, by halving, else at the highest."""
    load = loads[0]
    free = at_price(problem, worth, 0.0, loads)
    if within(problem, free):
        return free
    high = np.log(2 * max(worth.max(), 1e-300) / min(load[load > 0], default=1.0))
    low, selected = high - reach, at_price(problem, worth, np.exp(high), loads)
    for _ in range(steps):
        middle = (low + high) / 2
        trial = at_price(problem, worth, np.exp(middle), loads)
        if within(problem, trial):
            selected, high = trial, middle
        else:
            low = middle
    return selected


def improved(problem, worth, selected, loads, barred=-1):
    """A selection changed by the best single change, benefit per priced load, until none fits."""
    (load, fee_load), years = loads, problem.constraints.years
    budget, limit, selected = problem.constraints.budget, problem.crew, selected.copy()
    alone = [(problem.unit == unit).sum() == 1 for unit in problem.unit]
    while True:
        money, crew, visited = used(problem, selected)
        best, most = None, -np.inf
        for option, tower in enumerate(problem.tower):
            if not alone[tower] or tower == barred:
                continue
            now, when = divmod(int(selected[tower]), years) if selected[tower] >= 0 else (None, None)
            had = worth[now, when] if now is not None and np.isfinite(worth[now, when]) else 0.0
            for year in range(years):
                gain = worth[option, year] - had
                opens = (problem.group[option], year) not in visited
                need = money[year] + problem.spend[option]
                weeks = crew[year] + problem.weeks[option]
                if when == year:
                    need, weeks = need - problem.spend[now], weeks - problem.weeks[now]
                need += opens * problem.fee[problem.group[option]]
                if not gain > 1e-9 * (1e-12 + abs(had)) or need > budget[year] or weeks > limit[year]:
                    continue
                extra = load[option, year] + opens * fee_load[problem.group[option], year]
                extra -= load[now, when] if now is not None else 0.0
                rate = gain / max(extra, 1e-300) if extra > 0 else 1e300
                if rate > most:
                    best, most = (tower, option * years + year), rate
        if best is None:
            return selected
        selected[best[0]] = best[1]


class _Purse:
    """What is left of money and crews while a rule proceeds."""

    def __init__(self, problem):
        self.problem, self.choice = problem, np.zeros(len(problem.spend), int)
        self.money, self.crew, self.paid = list(problem.constraints.budget), list(problem.crew), set()

    def cost(self, package, year):
        groups = {int(self.problem.group[option]) for option in package}
        fees = sum(self.problem.fee[group] for group in sorted(groups) if (group, year) not in self.paid)
        return sum(self.problem.spend[option] for option in package) + fees

    def take(self, package, year):
        """Do a package where it fits; whether it did."""
        problem, weeks = self.problem, sum(self.problem.weeks[option] for option in package)
        late = any(problem.must[option] for option in package) and year >= problem.must_by
        cost = self.cost(package, year)
        if late or cost > self.money[year] or weeks > self.crew[year]:
            return False
        self.money[year] -= cost
        self.crew[year] -= weeks
        self.paid |= {(int(problem.group[option]), year) for option in package}
        self.choice[list(package)] = year + 1
        return True


def packages(problem):
    """Every option of a single tower; the best options of towers treated together. By unit."""
    found = []
    for unit in range(problem.unit.max() + 1):
        rates = []
        for tower in np.flatnonzero(problem.unit == unit):
            options = np.flatnonzero((problem.tower == tower) & (problem.must | ~problem.must_tower[tower]))
            rates.append([(problem.value[o, 0] / max(problem.spend[o], 1e-9), -o) for o in options])
        if len(rates) == 1:
            found.append([(-place,) for _, place in rates[0]])
        else:
            found.append([tuple(-max(each)[1] for each in rates)])
    return found


def worst_first(problem, ohms):
    """The rule "worst ohms first"; a footing for each tower."""
    purse, owed = _Purse(problem), []
    for unit, mine in enumerate(packages(problem)):
        worst = max(ohms[tower] for tower in np.flatnonzero(problem.unit == unit))
        for package in mine:
            must = any(problem.must[option] for option in package)
            rate = sum(problem.value[o, 0] for o in package) / max(
                sum(problem.spend[o] for o in package), 1e-9
            )
            owed.append((not must, -worst, unit, -rate, package))
    done = set()
    for *_, unit, _, package in sorted(owed):
        years = range(problem.constraints.years)
        if unit not in done and any(purse.take(package, year) for year in years):
            done.add(unit)
    return purse.choice


def best_rate_next(problem):
    """The rule "most benefit per cost next"."""
    purse, left = _Purse(problem), dict(enumerate(packages(problem)))
    for only_owed in (True, False):
        for year in range(problem.constraints.years):
            while True:
                rated = []
                for unit, mine in left.items():
                    for package in mine:
                        must = any(problem.must[option] for option in package)
                        worth = sum(problem.value[option, year] for option in package)
                        weeks = sum(problem.weeks[option] for option in package)
                        cost = purse.cost(package, year)
                        if (
                            (must or (worth > 0 and not only_owed))
                            and (not must or year < problem.must_by)
                            and cost <= purse.money[year]
                            and weeks <= purse.crew[year]
                        ):
                            rated.append((-worth / max(cost, 1e-9), unit, package))
                if not rated:
                    break
                _, unit, package = min(rated)
                purse.take(package, year)
                del left[unit]
    return purse.choice
