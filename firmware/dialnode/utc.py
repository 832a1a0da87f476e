"""The calendar, as far as a board needs it: from a date and a time to Unix seconds."""


def seconds(year, month, day, hour, minute, second):
    """Unix seconds of a UTC date and time from 2000 to 2199.

    Raises ValueError for what no calendar has. A leap second (60) counts as the next second.
    """
    if not (2000 <= year < 2200 and 1 <= month <= 12 and 1 <= day <= _days(year, month)):
        raise ValueError("no such day: %d-%d-%d" % (year, month, day))
    if not (0 <= hour < 24 and 0 <= minute < 60 and 0 <= second <= 60):
        raise ValueError("no such time: %d:%d:%d" % (hour, minute, second))
    # Days from 0000-03-01, a year that begins in March: its leap day is its last.
    years = year - (month < 3)
    months = (month + 9) % 12
    days = 365 * years + years // 4 - years // 100 + years // 400
    days += (153 * months + 2) // 5 + day - 1 - 719468
    return 86400 * days + 3600 * hour + 60 * minute + second


def _days(year, month):
    if month == 2:
        return 29 if year % 4 == 0 and (year % 100 or year % 400 == 0) else 28
    return 30 if month in (4, 6, 9, 11) else 31
