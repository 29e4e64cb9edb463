"""Every sentence that the bench says, in English. Another language is another file like this one.

Written for the ear: one thing at a time, the cylinder first, then the number, then what to do; the same words
each time. In a sentence ``{cylinder}``, ``{next}``, ``{first}`` and ``{second}`` are cylinders; ``{value}``,
``{high}`` and ``{low}`` pressures; ``{difference}`` a pressure with its unit spoken; ``{place}`` where the next
cylinder is; ``{pairs}`` which gauge goes on which cylinder; ``{list}`` what several cylinders read, ``{named}``
the same with their gauges. ``{pressure}``, ``{rate}`` and ``{limit}`` are the small pressures of a leak-down with
their unit, ``{part}`` what is tested, ``{machine}`` a machine's id, ``{note}`` what is noted of it, ``{clock}`` a
time of day; ``{oil}`` is millilitres, ``{pull}`` the number of a pull, ``{count}`` and ``{more}`` numbers of
anything, ``{key}`` a key's name.
"""

from collections.abc import Callable

from num2words import num2words

from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.prompts import Language
from gaugelink.engine.units import PressureUnit

SENTENCES: dict[PromptKey, str] = {
    PromptKey.CAUTION_IGNITION: "Caution. Ground every plug lead, or set the kill switch, before you crank.",
    PromptKey.CAUTION_FUEL: "Shut the fuel off. Plug holes blow vapour: no flame or spark, air it out.",
    PromptKey.CAUTION_PARK: "Park the machine so that it cannot move, as its maker's manual says.",
    PromptKey.CAUTION_BELT: "Keep hands, clothes and tools clear of clutch, belt and all that turns.",
    PromptKey.CAUTION_CORD: "A cord can kick back. Stand firm, and do not wrap it around your hand.",
    PromptKey.CAUTION_STARTER: "On a starter, nobody else at the key. Crank briefly and let it cool down.",
    PromptKey.CAUTION_NOTE: "This machine: {note}",
    PromptKey.CAUTION_EYES: "Wear eye protection. Keep your face away from the plug holes.",
    PromptKey.CAUTION_MANUAL: "The engine maker's manual and the local rules come first.",
    PromptKey.ACKNOWLEDGE: "Confirm that you heard the cautions, then we begin.",
    PromptKey.ACKNOWLEDGE_FIRST: "Stop. Confirm the cautions before you crank.",
    PromptKey.OIL: "Wet test: {oil} millilitres of oil into each cylinder, the same in each.",
    # A teaspoon is common practice, no source.
    PromptKey.OIL_TEASPOON: "Wet test: a teaspoon of oil, five millilitres, into each cylinder, or what the maker's "
    "manual says, the same in each.",
    PromptKey.OIL_SPREAD: "Do not flood it. Crank once without the gauge to spread it.",
    PromptKey.READY_ENGINE: "All plugs out, throttle wide open.",
    PromptKey.PLUGS_OUT: "All plugs out.",
    PromptKey.THROTTLE_OPEN: "Throttle wide open.",
    PromptKey.BEGIN: "Put the gauge on {next}. Pull when ready.",
    PromptKey.BEGIN_PLACE: "Put the gauge on {next}, {place}. Pull when ready.",
    PromptKey.BEGIN_ALL: "Put {pairs}. Pull when ready.",
    PromptKey.READY_ALL: "Gauges are in: {pairs}. Pull when ready.",
    PromptKey.READY: "Gauge is in. This should be {next}. Pull when ready.",
    PromptKey.AGAIN: "{cylinder}, {value}. Once more.",
    PromptKey.AGAIN_BLEED: "{cylinder}, {value}. Bleed the gauge. Once more.",
    PromptKey.ALL_NAMED: "{named}. Once more.",
    PromptKey.ALL_AGAIN: "{list}. Once more.",
    PromptKey.ALL_AGAIN_BLEED: "{list}. Bleed the gauges. Once more.",
    PromptKey.UNDER: "{cylinder}, {value}. That is {difference} under the best pull: check the gauge is tight.",
    PromptKey.OVER: "{cylinder}, {value}. That is {difference} over the best pull before. Once more.",
    PromptKey.BLEED: "Bleed the gauge first.",
    PromptKey.STILL_RISING: "{cylinder}, {value}, still rising. Crank longer, {count} to {more} strokes. Once more.",
    PromptKey.UNSURE: "{cylinder}, {value}, but too uncertain to count. Crank evenly, a little longer. Once more.",
    PromptKey.RADIO_GAP: "Radio gap, that pull does not count. Once more.",
    PromptKey.OVER_RANGE: "{cylinder} is over the range of this gauge. Use a gauge with a higher range.",
    PromptKey.MOVE: "{cylinder}, {value}, agreed. Move the gauge to {next}.",
    PromptKey.MOVE_PLACE: "{cylinder}, {value}, agreed. Move the gauge to {next}, {place}.",
    PromptKey.MOVE_ALL: "{list}. Move the gauges to {targets}.",
    PromptKey.MOVE_RISING: "{cylinder} still rises after {count} pulls: at least {value}. Move the gauge to {next}.",
    PromptKey.MOVE_UNAGREED: "{cylinder} does not agree after {count} pulls. Move the gauge to {next}.",
    PromptKey.GO_TO: "Move the gauge to {next}. Pull when ready.",
    PromptKey.EXTRA: "That was {cylinder} again, {value}. Move the gauge to {next}.",
    PromptKey.EXTRA_DONE: "That was {cylinder} again, {value}. The test is done.",
    PromptKey.ASK_WHICH: "Not sure about {value}. Was that {first} or {second}? Answer, or pull again on {next}.",
    PromptKey.ASK_ONE: "Not sure about {value}. Was that {first}? Answer, or pull again on {next}.",
    PromptKey.ASK_LATER: "Not sure any more about pull {pull}, {value} on {first}. Was it {second}? Answer which.",
    PromptKey.ASK_PULL: "Not sure about pull {pull}, {value}. Was that {first} or {second}?",
    PromptKey.ASK_PULL_ONE: "Not sure about pull {pull}, {value}. Was that {first}?",
    PromptKey.ASK_EXCHANGED: "{first} and {second} look mixed up beside the last test. If so, exchange their readings.",
    PromptKey.ASK_GAUGE: "That gauge is not part of this test. Nothing was counted.",
    PromptKey.MISSING: "No reading from {cylinder}. Check its gauge. Once more.",
    PromptKey.DONE: "Test done. In order: {list}.",
    PromptKey.LAST_DONE: "{cylinder}, {value}, agreed. Test done. In order: {list}.",
    PromptKey.LAST_RISING: "{cylinder} still rises after {count} pulls: at least {value}. Test done.",
    PromptKey.LAST_UNAGREED: "{cylinder} does not agree after {count} pulls. Test done.",
    PromptKey.DONE_NAMED: "Test done: {named}.",
    PromptKey.DONE_MANY: "Test done. Highest {first}, {high}. Lowest {second}, {low}.",
    PromptKey.LAST_DONE_MANY: "{cylinder}, {value}, agreed. Test done. "
    "Highest {first}, {high}. Lowest {second}, {low}.",
    PromptKey.DONE_ONE: "Test done: {cylinder}, {value}.",
    PromptKey.DONE_NOTHING: "Test closed. There are no readings.",
    PromptKey.ABANDONED: "The test of {machine} is abandoned. Pulls kept in the record: {count}.",
    PromptKey.REDO: "{cylinder} again from the start. Pull when ready.",
    PromptKey.SKIPPED: "{cylinder} is skipped. Move the gauge to {next}.",
    PromptKey.SKIPPED_ONES: "Skipped: {targets}.",
    PromptKey.RISING_ONES: "Still rising, so at least that: {targets}.",
    PromptKey.UNAGREED_ONES: "Not agreed: {targets}.",
    PromptKey.UNSETTLED_ONES: "Not settled: {targets}.",
    PromptKey.AGREED: "{cylinder}, {value}, agreed.",
    PromptKey.EXTRA_READ: "That was {cylinder} again, {value}.",
    PromptKey.QUESTION_LEFT: "One question left.",
    PromptKey.QUESTIONS_LEFT: "{count} questions left.",
    PromptKey.UNGIVEN: "Pulls on no cylinder: {count}.",
    PromptKey.PUT_RIGHT: "{value} is now on {cylinder}.",
    PromptKey.PUT_RIGHT_NEXT: "{value} is now on {cylinder}. Next pull: {next}.",
    PromptKey.STRUCK: "{value} is struck out.",
    PromptKey.STRUCK_NEXT: "{value} is struck out. Next pull: {next}.",
    PromptKey.SURE_STRIKE: "Press {key} again to strike {value} of {cylinder}.",
    PromptKey.SURE_STRIKE_MANY: "Press {key} again to strike {count} pulls of {cylinder}.",
    PromptKey.SURE_STRIKE_HELD: "Press {key} again to strike {value}.",
    PromptKey.SURE_CLOSE: "Press {key} again to close the test.",
    PromptKey.SURE_STOP: "Press {key} again to stop the leak test.",
    PromptKey.KEPT: "Nothing was changed.",
    PromptKey.BACK: "Taken back.",
    PromptKey.BACK_ONE: "{value} of {cylinder} counts again.",
    PromptKey.BACK_MANY: "{count} pulls of {cylinder} count again.",
    PromptKey.BACK_MOVED: "{value} is back on {cylinder}.",
    PromptKey.BACK_HELD: "{value} is on no cylinder again.",
    PromptKey.BACK_EXCHANGED: "{first} and {second} are exchanged back.",
    PromptKey.BACK_SKIPPED: "{cylinder} is skipped again.",
    PromptKey.BACK_COUNTS: "The test counts again.",
    PromptKey.BACK_OPEN: "The test is open again.",
    PromptKey.NOTHING_LEFT: "Nothing is left to measure.",
    PromptKey.UNSKIPPED: "{cylinder} is no longer skipped.",
    PromptKey.CONFIRM: "{value}. Is that {first}? Answer which cylinder it was.",
    PromptKey.WAITING: "Waiting for a pull on {next}. If it shows no pressure, skip it.",
    PromptKey.WAITING_ALL: "Waiting for a pull.",
    PromptKey.KEEP_CRANKING: "Still rising. Keep cranking.",
    PromptKey.ENOUGH: "Enough.",
    PromptKey.NO_GAUGE: "No gauge yet: switch it on.",
    PromptKey.LINK_LOST: "Lost the gauge. Wait.",
    PromptKey.LINK_BACK: "Gauge is back. Pull on {next}.",
    PromptKey.LINK_BACK_ALL: "Gauge is back. Pull when ready.",
    PromptKey.WAKE_GAUGE: "The gauge is asleep. Switch it on.",
    PromptKey.BATTERY_LOW: "The battery of the gauge is low.",
    PromptKey.DISK_TROUBLE: "The disk does not take results. Measuring goes on, but they are not safe.",
    PromptKey.DISK_BACK: "The disk takes results again.",
    PromptKey.RESUMED: "The test of {machine} goes on. Next pull: {next}.",
    PromptKey.RESUMED_ALL: "The test of {machine} goes on. Pull when ready.",
    PromptKey.CLOCK_BACK: "This computer's clock was set back since the last pull. Check its date and time.",
    PromptKey.AIR_TODAY: "Pulls of today count by today's air pressure, as the shop file has it.",
    PromptKey.AIR_EARLIER: "The air pressure noted is of an earlier day. "
    "Put today's into the shop file and start the service again.",
    PromptKey.CAUTION_AIR_CRANK: "Caution. Air turns the crank with force. Lock it with the maker's locking tool, or "
    "as the manual says.",
    PromptKey.CAUTION_AIR_CLEAR: "Hands, tools and cord clear of belt, clutch, propeller and all that turns.",
    PromptKey.CAUTION_AIR_PARK: "Set gear and parking as the engine maker says before air goes in.",
    PromptKey.CAUTION_AIR_IGNITION: "Ignition off, kill switch set, fuel shut off.",
    PromptKey.CAUTION_AIR_FUEL: "The air blows fuel vapour out. No flame, no sparks, let it air out.",
    PromptKey.CAUTION_AIR_LIMIT: "Never more than {limit}: seals blow out. Let the air in slowly.",
    PromptKey.LEAK_LOCK: "Lock the crank, {cylinder} at top dead centre, with the maker's locking tool or as the "
    "manual says.",
    PromptKey.LEAK_PUMP: "Seal the {part}. Pump it to {pressure} and close the valve.",
    PromptKey.LEAK_REST: "The gauge is not at rest yet. Leave the air off and wait.",
    PromptKey.LEAK_AIR: "Hands, tools and cord clear, then let air in slowly, up to {pressure}.",
    PromptKey.LEAK_AIR_ALREADY: "There is pressure already, {pressure}. Let it off first.",
    PromptKey.LEAK_LOW: "Only {pressure}. Pump on to {limit} and close the valve.",
    PromptKey.LEAK_CLOSED: "Closed at {pressure}. Hands off, the leak is being measured.",
    PromptKey.LEAK_ANEW: "More air came in. The measurement starts anew.",
    PromptKey.LEAK_OVER: "Stop. {pressure} is over the limit of {limit}. Let air off now.",
    PromptKey.LEAK_ABSOLUTE: "This gauge reads absolute pressure. Its reading at rest is taken as zero.",
    PromptKey.LEAK_WAIT: "Not certain yet. About {count} seconds more.",
    PromptKey.LEAK_PASS: "Passed. The {part} loses {rate} a minute. The limit is {limit}.",
    PromptKey.LEAK_FAIL: "Failed. The {part} loses {rate} a minute. The limit is {limit}.",
    PromptKey.LEAK_UNDECIDED: "The pressure went before it was certain. Pump again.",
    PromptKey.LEAK_UNLIKE: "No leak falls like this: something moved, or air came in. Let the air off and begin anew.",
    PromptKey.LEAK_PERCENT: "{cylinder} loses {percent} percent.",
    PromptKey.LEAK_SOAP_CASE: "Soapy water on the seals, the base, the reeds and the cooler shows where.",
    PromptKey.LEAK_SOAP: "Soapy water on its seals and joints shows where.",
    PromptKey.LEAK_LISTEN: "Listen at intake, exhaust, crankcase and the next plug hole, and look for bubbles in the "
    "coolant.",
    PromptKey.LEAK_LET_OFF: "Let the air off before you unscrew anything.",
    PromptKey.LEAK_MOVED: "The pressure jumped: the piston has moved. Let the air off and set it again.",
    PromptKey.LEAK_ABOVE_SUPPLY: "The cylinder reads {pressure}, more than the supply's {limit}. Set the regulator, or "
    "exchange the gauges.",
    PromptKey.LEAK_STOPPED: "The leak test is stopped.",
    PromptKey.LEAK_FIRST: "A leak test is under way. Nobody cranks before it has ended and the air is off.",
    PromptKey.LEAK_BROKEN_OFF: "The leak test of {clock} was broken off. Keep the valve shut until the gauge is back.",
    PromptKey.LEAK_GOES_ON: "The leak test goes on. {count} seconds are missing.",
    PromptKey.LEAK_FROM_START: "The leak test of {clock} was broken off and starts over. Let the air off first.",
    PromptKey.LEAK_CUT: "The leak test of {clock} was cut by a restart. Let the air off and begin anew.",
    PromptKey.LEAK_CUT_AWAY: "The leak test of {clock} was cut for {count} seconds, too long. "
    "Let the air off and begin anew.",
    PromptKey.LEAK_CUT_CLOCK: "The leak test of {clock} was cut, how long is not certain. "
    "Let the air off and begin anew.",
    PromptKey.LEAK_CUT_MOVED: "Before and after the gap do not fit together: something was moved. Let the air off and "
    "begin anew.",
    PromptKey.LEAK_CUT_PRESSURE: "The leak test of {clock} was cut at {limit}, now at {pressure}. "
    "Let the air off and begin anew.",
}

_words: Callable[[int], str] = num2words

_UNITS_SPOKEN = {
    PressureUnit.PASCAL: "pascal",
    PressureUnit.KPA: "kilopascal",
    PressureUnit.BAR: "bar",
    PressureUnit.PSI: "P S I",
    PressureUnit.KGF_CM2: "kilos",
    PressureUnit.MMHG: "millimetres",
}

_SPELLED = {"PTO": "P T O", "MAG": "mag"}


def spoken_number(number: float, decimals: int) -> str:
    """Say a number: 134 is *one hundred and thirty-four*, 9.24 is *nine point two four*."""
    rounded = f"{number:.{decimals}f}"
    whole, _, fraction = rounded.lstrip("-").partition(".")
    words = _words(int(whole)).replace(",", "")
    if fraction:
        words += " point " + " ".join(_words(int(digit)) for digit in fraction)
    return f"minus {words}" if rounded.startswith("-") and rounded.strip("-0.") else words


def cylinder_text(name: str) -> str:
    """Write a cylinder's name in a sentence: a bare number needs the word before it."""
    return f"cylinder {name}" if name.isdigit() else name


def cylinder_spoken(name: str) -> str:
    """Say a cylinder's name: numbers as words, the letters of PTO one by one."""
    words = [_words(int(word)) if word.isdigit() else _SPELLED.get(word, word) for word in name.split()]
    return f"cylinder {words[0]}" if name.isdigit() else " ".join(words)


def clock_spoken(clock: str) -> str:
    """Say a time of day, ``14:03``: *fourteen oh three*, and on the hour *fourteen o'clock*."""
    hour, minute = (int(part) for part in clock.split(":"))
    if minute == 0:
        return f"{_words(hour)} o'clock"
    return f"{_words(hour)} {'oh ' if minute < 10 else ''}{_words(minute)}"


ENGLISH = Language(
    sentences=SENTENCES,
    number=spoken_number,
    unit_spoken=_UNITS_SPOKEN,
    cylinder_text=cylinder_text,
    cylinder_spoken=cylinder_spoken,
    joiner=" and ",
    clock_spoken=clock_spoken,
    place_article="the ",
    pair="{gauge} on {cylinder}",
)
