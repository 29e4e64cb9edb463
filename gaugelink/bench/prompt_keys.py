"""Every prompt there is by its key, and what kind it is: a caution, an ending, a question, an order to pull."""

from enum import StrEnum


class Tone(StrEnum):
    """A short sound that says it without words."""

    NONE = "none"
    GOOD = "good"
    AGAIN = "again"
    NEXT = "next"
    DONE = "done"
    TROUBLE = "trouble"


class PromptKey(StrEnum):
    """Every prompt there is."""

    CAUTION_IGNITION = "caution_ignition"
    CAUTION_FUEL = "caution_fuel"
    CAUTION_PARK = "caution_park"
    CAUTION_BELT = "caution_belt"
    CAUTION_CORD = "caution_cord"
    CAUTION_STARTER = "caution_starter"
    CAUTION_NOTE = "caution_note"
    CAUTION_EYES = "caution_eyes"
    CAUTION_MANUAL = "caution_manual"
    ACKNOWLEDGE = "acknowledge"
    ACKNOWLEDGE_FIRST = "acknowledge_first"
    OIL = "oil"
    OIL_TEASPOON = "oil_teaspoon"
    OIL_SPREAD = "oil_spread"
    READY_ENGINE = "ready_engine"
    PLUGS_OUT = "plugs_out"
    THROTTLE_OPEN = "throttle_open"
    BEGIN = "begin"
    BEGIN_PLACE = "begin_place"
    BEGIN_ALL = "begin_all"
    READY = "ready"
    READY_ALL = "ready_all"
    AGAIN = "again"
    AGAIN_BLEED = "again_bleed"
    ALL_NAMED = "all_named"
    ALL_AGAIN = "all_again"
    ALL_AGAIN_BLEED = "all_again_bleed"
    UNDER = "under"
    OVER = "over"
    STILL_RISING = "still_rising"
    BLEED = "bleed"
    RADIO_GAP = "radio_gap"
    OVER_RANGE = "over_range"
    UNSURE = "unsure"
    MOVE = "move"
    MOVE_PLACE = "move_place"
    MOVE_ALL = "move_all"
    MOVE_UNAGREED = "move_unagreed"
    MOVE_RISING = "move_rising"
    GO_TO = "go_to"
    EXTRA = "extra"
    EXTRA_DONE = "extra_done"
    ASK_WHICH = "ask_which"
    ASK_ONE = "ask_one"
    ASK_LATER = "ask_later"
    ASK_PULL = "ask_pull"
    ASK_PULL_ONE = "ask_pull_one"
    ASK_EXCHANGED = "ask_exchanged"
    ASK_GAUGE = "ask_gauge"
    MISSING = "missing"
    DONE = "done"
    LAST_DONE = "last_done"
    LAST_UNAGREED = "last_unagreed"
    LAST_RISING = "last_rising"
    DONE_NAMED = "done_named"
    DONE_MANY = "done_many"
    LAST_DONE_MANY = "last_done_many"
    DONE_ONE = "done_one"
    DONE_NOTHING = "done_nothing"
    ABANDONED = "abandoned"
    REDO = "redo"
    SKIPPED = "skipped"
    SKIPPED_ONES = "skipped_ones"
    UNAGREED_ONES = "unagreed_ones"
    RISING_ONES = "rising_ones"
    UNSETTLED_ONES = "unsettled_ones"
    AGREED = "agreed"
    EXTRA_READ = "extra_read"
    QUESTION_LEFT = "question_left"
    QUESTIONS_LEFT = "questions_left"
    UNGIVEN = "ungiven"
    PUT_RIGHT = "put_right"
    PUT_RIGHT_NEXT = "put_right_next"
    STRUCK = "struck"
    STRUCK_NEXT = "struck_next"
    SURE_STRIKE = "sure_strike"
    SURE_STRIKE_MANY = "sure_strike_many"
    SURE_STRIKE_HELD = "sure_strike_held"
    SURE_CLOSE = "sure_close"
    SURE_STOP = "sure_stop"
    KEPT = "kept"
    BACK = "back"
    BACK_ONE = "back_one"
    BACK_MANY = "back_many"
    BACK_MOVED = "back_moved"
    BACK_HELD = "back_held"
    BACK_EXCHANGED = "back_exchanged"
    BACK_SKIPPED = "back_skipped"
    BACK_COUNTS = "back_counts"
    BACK_OPEN = "back_open"
    NOTHING_LEFT = "nothing_left"
    UNSKIPPED = "unskipped"
    CONFIRM = "confirm"
    WAITING = "waiting"
    WAITING_ALL = "waiting_all"
    KEEP_CRANKING = "keep_cranking"
    ENOUGH = "enough"
    NO_GAUGE = "no_gauge"
    LINK_LOST = "link_lost"
    LINK_BACK = "link_back"
    LINK_BACK_ALL = "link_back_all"
    WAKE_GAUGE = "wake_gauge"
    BATTERY_LOW = "battery_low"
    DISK_TROUBLE = "disk_trouble"
    DISK_BACK = "disk_back"
    RESUMED = "resumed"
    RESUMED_ALL = "resumed_all"
    CLOCK_BACK = "clock_back"
    AIR_TODAY = "air_today"
    AIR_EARLIER = "air_earlier"
    CAUTION_AIR_CRANK = "caution_air_crank"
    CAUTION_AIR_CLEAR = "caution_air_clear"
    CAUTION_AIR_PARK = "caution_air_park"
    CAUTION_AIR_IGNITION = "caution_air_ignition"
    CAUTION_AIR_FUEL = "caution_air_fuel"
    CAUTION_AIR_LIMIT = "caution_air_limit"
    LEAK_LOCK = "leak_lock"
    LEAK_PUMP = "leak_pump"
    LEAK_REST = "leak_rest"
    LEAK_AIR = "leak_air"
    LEAK_AIR_ALREADY = "leak_air_already"
    LEAK_LOW = "leak_low"
    LEAK_CLOSED = "leak_closed"
    LEAK_ANEW = "leak_anew"
    LEAK_OVER = "leak_over"
    LEAK_ABSOLUTE = "leak_absolute"
    LEAK_WAIT = "leak_wait"
    LEAK_PASS = "leak_pass"
    LEAK_FAIL = "leak_fail"
    LEAK_UNDECIDED = "leak_undecided"
    LEAK_UNLIKE = "leak_unlike"
    LEAK_PERCENT = "leak_percent"
    LEAK_SOAP_CASE = "leak_soap_case"
    LEAK_SOAP = "leak_soap"
    LEAK_LISTEN = "leak_listen"
    LEAK_LET_OFF = "leak_let_off"
    LEAK_MOVED = "leak_moved"
    LEAK_ABOVE_SUPPLY = "leak_above_supply"
    LEAK_STOPPED = "leak_stopped"
    LEAK_FIRST = "leak_first"
    LEAK_BROKEN_OFF = "leak_broken_off"
    LEAK_GOES_ON = "leak_goes_on"
    LEAK_FROM_START = "leak_from_start"
    LEAK_CUT = "leak_cut"
    LEAK_CUT_AWAY = "leak_cut_away"
    LEAK_CUT_CLOCK = "leak_cut_clock"
    LEAK_CUT_PRESSURE = "leak_cut_pressure"
    LEAK_CUT_MOVED = "leak_cut_moved"


CAUTIONS = (
    PromptKey.CAUTION_IGNITION,
    PromptKey.CAUTION_FUEL,
    PromptKey.CAUTION_PARK,
    PromptKey.CAUTION_BELT,
    PromptKey.CAUTION_CORD,
    PromptKey.CAUTION_STARTER,
    PromptKey.CAUTION_EYES,
    PromptKey.CAUTION_MANUAL,
)
"""What is said before anyone cranks an engine with its plugs out (common practice, no source). Where it is known what
turns the crank, what is about the other way of cranking is left out."""

AIR_CAUTIONS = (
    PromptKey.CAUTION_AIR_CRANK,
    PromptKey.CAUTION_AIR_CLEAR,
    PromptKey.CAUTION_AIR_PARK,
    PromptKey.CAUTION_AIR_IGNITION,
    PromptKey.CAUTION_AIR_FUEL,
    PromptKey.CAUTION_AIR_LIMIT,
    PromptKey.CAUTION_EYES,
    PromptKey.CAUTION_MANUAL,
)
"""What is said before air goes into an engine (common practice, no source)."""

ENDINGS = frozenset(
    {
        PromptKey.DONE,
        PromptKey.LAST_DONE,
        PromptKey.LAST_UNAGREED,
        PromptKey.LAST_RISING,
        PromptKey.DONE_NAMED,
        PromptKey.DONE_MANY,
        PromptKey.LAST_DONE_MANY,
    }
    | {PromptKey.DONE_ONE, PromptKey.EXTRA_DONE}
)
"""Prompts that say that every cylinder is settled."""

_TONES: dict[Tone, frozenset[PromptKey]] = {
    Tone.GOOD: frozenset(
        {
            PromptKey.PUT_RIGHT,
            PromptKey.PUT_RIGHT_NEXT,
            PromptKey.READY,
            PromptKey.READY_ALL,
            PromptKey.ENOUGH,
            PromptKey.DISK_BACK,
            PromptKey.LEAK_CLOSED,
            PromptKey.LEAK_GOES_ON,
        }
    ),
    Tone.AGAIN: frozenset(
        {
            PromptKey.AGAIN,
            PromptKey.AGAIN_BLEED,
            PromptKey.ALL_NAMED,
            PromptKey.ALL_AGAIN,
            PromptKey.ALL_AGAIN_BLEED,
            PromptKey.OVER,
        }
        | {PromptKey.REDO, PromptKey.LINK_BACK, PromptKey.LINK_BACK_ALL, PromptKey.KEEP_CRANKING}
        | {PromptKey.RADIO_GAP}
        | {PromptKey.STILL_RISING, PromptKey.UNSURE, PromptKey.LEAK_LOW, PromptKey.LEAK_ANEW, PromptKey.LEAK_UNDECIDED}
        | {PromptKey.LEAK_FROM_START}
    ),
    Tone.NEXT: frozenset(
        {PromptKey.MOVE, PromptKey.MOVE_PLACE, PromptKey.MOVE_ALL, PromptKey.GO_TO, PromptKey.SKIPPED}
        | {PromptKey.BEGIN, PromptKey.BEGIN_PLACE, PromptKey.BEGIN_ALL, PromptKey.EXTRA, PromptKey.UNSKIPPED}
        | {PromptKey.LEAK_PUMP, PromptKey.LEAK_AIR}
    ),
    Tone.DONE: ENDINGS | {PromptKey.LEAK_PASS, PromptKey.LEAK_PERCENT},
    Tone.TROUBLE: frozenset(
        {PromptKey.UNDER, PromptKey.OVER_RANGE, PromptKey.MOVE_UNAGREED, PromptKey.MOVE_RISING}
        | {PromptKey.ASK_WHICH, PromptKey.ASK_ONE}
        | {PromptKey.ASK_LATER, PromptKey.ASK_EXCHANGED, PromptKey.ASK_GAUGE, PromptKey.MISSING}
        | {PromptKey.NO_GAUGE, PromptKey.LINK_LOST, PromptKey.WAKE_GAUGE, PromptKey.BATTERY_LOW, PromptKey.DISK_TROUBLE}
        | {PromptKey.ACKNOWLEDGE_FIRST, PromptKey.CONFIRM, PromptKey.ASK_PULL, PromptKey.ASK_PULL_ONE}
        | {PromptKey.SURE_STRIKE, PromptKey.SURE_STRIKE_MANY, PromptKey.SURE_STRIKE_HELD, PromptKey.SURE_CLOSE}
        | {PromptKey.SURE_STOP}
        | {PromptKey.LEAK_OVER, PromptKey.LEAK_ABSOLUTE, PromptKey.LEAK_FAIL, PromptKey.LEAK_MOVED}
        | {PromptKey.LEAK_BROKEN_OFF, PromptKey.LEAK_CUT, PromptKey.LEAK_CUT_AWAY, PromptKey.LEAK_CUT_CLOCK}
        | {PromptKey.LEAK_CUT_PRESSURE, PromptKey.LEAK_CUT_MOVED, PromptKey.LEAK_ABOVE_SUPPLY}
        | {PromptKey.LEAK_UNLIKE, PromptKey.LEAK_FIRST, PromptKey.LEAK_AIR_ALREADY}
    ),
}
TONE_OF = {key: tone for tone, keys in _TONES.items() for key in keys}
"""The tone of each prompt; those that are not here have none."""

QUESTIONS = frozenset(
    {PromptKey.ASK_WHICH, PromptKey.ASK_ONE, PromptKey.ASK_LATER, PromptKey.ASK_EXCHANGED, PromptKey.CONFIRM}
    | {PromptKey.ASK_PULL, PromptKey.ASK_PULL_ONE}
)
"""Prompts that ask which cylinder it was."""

SURE = frozenset(
    {PromptKey.SURE_STRIKE, PromptKey.SURE_STRIKE_MANY, PromptKey.SURE_STRIKE_HELD, PromptKey.SURE_CLOSE}
    | {PromptKey.SURE_STOP}
)
"""Prompts that ask for the same key once more before something is lost."""

ASIDE = frozenset(
    {PromptKey.BATTERY_LOW, PromptKey.DISK_TROUBLE, PromptKey.DISK_BACK, PromptKey.AIR_TODAY, PromptKey.AIR_EARLIER}
    | {PromptKey.CLOCK_BACK}
)
"""Prompts that change nothing of what is to be done next: what was asked for stays in sight before them."""

LOOK_AGAIN = frozenset({PromptKey.UNDER, PromptKey.OVER, PromptKey.STILL_RISING, PromptKey.MISSING})
"""Prompts after which the gauge may be tightened where it is."""

PULLS = frozenset(
    {PromptKey.BEGIN, PromptKey.BEGIN_PLACE, PromptKey.BEGIN_ALL, PromptKey.READY, PromptKey.READY_ALL}
    | {PromptKey.AGAIN, PromptKey.AGAIN_BLEED, PromptKey.ALL_NAMED, PromptKey.ALL_AGAIN, PromptKey.ALL_AGAIN_BLEED}
    | {PromptKey.UNDER, PromptKey.OVER, PromptKey.STILL_RISING, PromptKey.RADIO_GAP, PromptKey.UNSURE}
    | {PromptKey.MOVE, PromptKey.MOVE_PLACE, PromptKey.MOVE_ALL, PromptKey.MOVE_UNAGREED, PromptKey.GO_TO}
    | {PromptKey.MOVE_RISING}
    | {PromptKey.EXTRA, PromptKey.MISSING, PromptKey.REDO, PromptKey.SKIPPED, PromptKey.PUT_RIGHT_NEXT}
    | {PromptKey.STRUCK_NEXT, PromptKey.WAITING, PromptKey.WAITING_ALL, PromptKey.RESUMED, PromptKey.RESUMED_ALL}
    | {PromptKey.LINK_BACK, PromptKey.LINK_BACK_ALL}
)
"""Prompts that send somebody to pull next."""
