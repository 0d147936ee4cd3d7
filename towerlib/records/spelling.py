"""The forms of one tower name: as written, folded, bare of marks, and as spreadsheets show it."""

import re
import unicodedata
from decimal import Decimal

_TOKEN = re.compile(r"[0-9]+|[^\W0-9_]+|[\s_./\\:#,-]+|.")
SEPARATOR = re.compile(r"[\s_./\\:#,-]+")
_TWO_NAMES = re.compile(r",\s")
_NUMBER_SIGN = re.compile(r"\bn\s?[°º]|№")
_PREFIX = re.compile(
    r"(?:towers?|twr|tow|t|mast|pylon|pyl[oô]ne|pole|structure|struct|str|support|torre|apoyo)?"
    r"(?:number|num|no|nr)?"
)
_WORDS = {"left": "l", "lh": "l", "right": "r", "rh": "r"}
_ENDINGS = {"bis": "b", "new": "n", "l": "", "r": ""}

_MIDNIGHT = re.compile(r"[ t](?:0?0:00(?::00(?:\.0+)?)?|12:00(?::00)? ?am)$")
_DAY_MONTH_YEAR = re.compile(r"([0-9]{1,2})[./-]([0-9]{1,2})[./-]([0-9]{4}|[0-9]{2})")
_YEAR_MONTH_DAY = re.compile(r"([0-9]{4})[./-]([0-9]{1,2})[./-]([0-9]{1,2})")
_DAY_MONTH_NAME = re.compile(r"([0-9]{1,2})[ ./-]{0,2}([^\W\d_]+)\.?(?:[ ./-]{1,2}([0-9]{4}|[0-9]{2}))?")
_MONTH_NAME = re.compile(r"([^\W\d_]+)\.?[ ./-]{0,2}([0-9]{4}|[0-9]{1,2})")
_MONTH_NAMES = [  # as spreadsheets shorten them in English, German, French, Spanish; nothing but these
    "jan janv ene", "feb févr fev", "mar mär mrz mars", "apr avr abr", "may mai", "jun juin",
    "jul juil", "aug août ago", "sep sept", "oct okt", "nov", "dec dez déc dic",
]  # fmt: skip
_MONTHS = {name: month for month, names in enumerate(_MONTH_NAMES, 1) for name in names.split()}

_POINT_NUMBER = re.compile(r"[0-9]+[.,][0-9]+")
_POWER_NUMBER = re.compile(r"[0-9](?:[.,]([0-9]{0,6}))?e\+?(0?[0-9]|10)")


def fold(text):
    """A name without what no reader would notice: capitals, outer spaces, kinds of dash, digit and space."""
    if not text.isascii():
        text = "".join(map(_plain_sign, unicodedata.normalize("NFC", text)))
    words = " ".join(text.split())
    return words.removeprefix("'").casefold()  # that apostrophe tells a spreadsheet: this is text


def _plain_sign(char):
    """A sign as a keyboard has it: any dash a hyphen, any digit 0 to 9, nothing for what is not seen."""
    category = unicodedata.category(char)
    if category == "Pd" or char == "\N{MINUS SIGN}":
        return "-"
    if char in "\N{FRACTION SLASH}\N{DIVISION SLASH}\N{FULLWIDTH SOLIDUS}":
        return "/"
    return "" if category == "Cf" else str(unicodedata.decimal(char, char))


def split(folded):
    """Prefix words of a folded name ("tower no"), and the tokens from there on, separators included."""
    tokens = _TOKEN.findall(_TWO_NAMES.sub("&", _NUMBER_SIGN.sub("no ", folded)))
    start = 0
    if any(token.isdigit() for token in tokens):
        while SEPARATOR.fullmatch(tokens[start]) or _PREFIX.fullmatch(tokens[start]):
            start += 1
    return [token for token in tokens[:start] if token.isalpha()], tokens[start:]


def core_of(folded):
    """A folded name without prefix words, leading zeros and separators; `/` parts two numbers."""
    tokens = [token for token in split(folded)[1] if not SEPARATOR.fullmatch(token)]
    words = [(token.lstrip("0") or "0") if token.isdigit() else _WORDS.get(token, token) for token in tokens]
    return re.sub(r"(?<=[0-9]) (?=[0-9])", "/", " ".join(words)).replace(" ", "")


def loose(core, letters):
    """A core without its side and the letters that all ids share, endings in their short form."""
    core = core.removeprefix(letters)
    ending = re.fullmatch(r"(.*[0-9])(bis|new|l|r)", core)
    return ending[1] + _ENDINGS[ending[2]] if ending else core


def side(core):
    """Left, right or neither."""
    return core[-1] if re.search(r"[0-9][lr]$", core) else ""


def digits(core):
    """The digits of a core, whatever stands between them."""
    return "/".join(re.findall(r"[0-9]+", core))


def values(core):
    """A register name as a spreadsheet shows it when it reads a number: 12/10 as 12.1, 1E2 as 1.00E+02."""
    parts = re.fullmatch(r"([0-9]{1,15})(?:/([0-9]{1,9})|e([0-9]|10))?", core)
    if not parts:
        return []
    whole, decimals, power = parts.groups(default="0")
    value = Decimal(f"{whole}.{decimals}e{power}")
    return [_plain(value), *(f"{value:.{shown}e}" for shown in range(1, 7) if not parts[2])]


def _plain(value):
    """A number written out without needless zeros."""
    return format(value.normalize(), "f")


def values_written(folded):
    """The form in which a spreadsheet may have shown a name; none for most names."""
    if _POINT_NUMBER.fullmatch(folded):
        return values(core_of(folded))[:1]
    parts = _POWER_NUMBER.fullmatch(folded)
    if not parts or not re.search("[.,+]", folded):  # 1E2 itself is a name
        return []
    value, decimals = Decimal(folded.replace(",", ".")), len(parts[1] or "")
    return [f"{value:.{decimals}e}" if decimals else _plain(value)]


def dated(folded):
    """Cores of the names that a spreadsheet turns into the date that this name looks like."""
    folded = _MIDNIGHT.sub("", folded)
    if parts := _YEAR_MONTH_DAY.fullmatch(folded):
        year, month, day = map(int, parts.groups())
        return _of_date(day, month, year)
    if parts := _DAY_MONTH_YEAR.fullmatch(folded):
        first, second, year = map(int, parts.groups())
        return _of_date(first, second, year) | _of_date(second, first, year)
    if parts := _DAY_MONTH_NAME.fullmatch(folded):
        return _of_date(int(parts[1]), _MONTHS.get(parts[2], 0), int(parts[3] or 0))
    if parts := _MONTH_NAME.fullmatch(folded):
        month, day_or_year = _MONTHS.get(parts[1], 0), int(parts[2])
        return _of_date(day_or_year, month) | _of_month(month, day_or_year)
    return set()


def _of_date(day, month, year=0):
    """Pairs of numbers that become this date when typed; a first of a month may have been month and year."""
    if not (1 <= day <= 31 and 1 <= month <= 12):
        return set()
    return {f"{day}/{month}", f"{month}/{day}"} | (_of_month(month, year) if day == 1 else set())


def _of_month(month, year):
    """Pairs of numbers that become this month of this year when typed."""
    return {f"{month}/{year % 100}", f"{month}/{year}"} if month and year else set()
