"""The word or two of each prompt that matter, in English, to be drawn so large that they are read across a shop.

Where the gauge goes is the cylinder; what to do is a verb; a question is the cylinders it names. The sentence stands
beneath, so these may leave out everything else.
"""

from gaugelink.bench.prompts import AIR_CAUTIONS, CAUTIONS, ENDINGS, Prompt, PromptKey

MOST_NAMED = 3
"""More cylinders than these are not named large: all of them is what is meant."""

LARGE: dict[PromptKey, str] = {
    **dict.fromkeys((*CAUTIONS, PromptKey.CAUTION_NOTE, *AIR_CAUTIONS), "caution"),
    **dict.fromkeys(ENDINGS, "done"),
    PromptKey.ACKNOWLEDGE: "confirm",
    PromptKey.ACKNOWLEDGE_FIRST: "stop",
    PromptKey.READY_ENGINE: "plugs out",
    PromptKey.PLUGS_OUT: "plugs out",
    PromptKey.THROTTLE_OPEN: "throttle",
    PromptKey.BEGIN: "{next}",
    PromptKey.BEGIN_PLACE: "{next}",
    PromptKey.BEGIN_ALL: "{all}",
    PromptKey.READY: "{next}",
    PromptKey.READY_ALL: "{all}",
    PromptKey.AGAIN: "again",
    PromptKey.AGAIN_BLEED: "again",
    PromptKey.ALL_NAMED: "again",
    PromptKey.ALL_AGAIN: "again",
    PromptKey.ALL_AGAIN_BLEED: "again",
    PromptKey.UNDER: "tight?",
    PromptKey.OVER: "again",
    PromptKey.STILL_RISING: "longer",
    PromptKey.UNSURE: "again",
    PromptKey.OVER_RANGE: "too high",
    PromptKey.MOVE: "{next}",
    PromptKey.MOVE_PLACE: "{next}",
    PromptKey.MOVE_ALL: "{all}",
    PromptKey.MOVE_UNAGREED: "{next}",
    PromptKey.GO_TO: "{next}",
    PromptKey.EXTRA: "{next}",
    PromptKey.ASK_WHICH: "{first} or {second}?",
    PromptKey.ASK_ONE: "{first}?",
    PromptKey.ASK_LATER: "{first} or {second}?",
    PromptKey.ASK_PULL: "{first} or {second}?",
    PromptKey.ASK_PULL_ONE: "{first}?",
    PromptKey.ASK_EXCHANGED: "exchanged?",
    PromptKey.ASK_GAUGE: "wrong gauge",
    PromptKey.MISSING: "{cylinder}?",
    PromptKey.DONE_NOTHING: "closed",
    PromptKey.ABANDONED: "abandoned",
    PromptKey.REDO: "{cylinder}",
    PromptKey.SKIPPED: "{next}",
    PromptKey.SKIPPED_ONES: "skipped",
    PromptKey.UNAGREED_ONES: "not agreed",
    PromptKey.UNSETTLED_ONES: "not settled",
    PromptKey.AGREED: "agreed",
    PromptKey.EXTRA_READ: "{cylinder}",
    PromptKey.QUESTION_LEFT: "question",
    PromptKey.QUESTIONS_LEFT: "questions",
    PromptKey.UNGIVEN: "closed",
    PromptKey.PUT_RIGHT: "put right",
    PromptKey.PUT_RIGHT_NEXT: "{next}",
    PromptKey.STRUCK: "struck",
    PromptKey.STRUCK_NEXT: "{next}",
    PromptKey.SURE_STRIKE: "{key} again?",
    PromptKey.SURE_STRIKE_MANY: "{key} again?",
    PromptKey.SURE_STRIKE_HELD: "{key} again?",
    PromptKey.SURE_CLOSE: "{key} again?",
    PromptKey.KEPT: "kept",
    PromptKey.BACK: "back",
    PromptKey.BACK_ONE: "back",
    PromptKey.BACK_MANY: "back",
    PromptKey.BACK_MOVED: "back",
    PromptKey.BACK_HELD: "back",
    PromptKey.BACK_EXCHANGED: "back",
    PromptKey.BACK_SKIPPED: "skipped",
    PromptKey.BACK_OPEN: "open",
    PromptKey.UNSKIPPED: "{cylinder}",
    PromptKey.CONFIRM: "{first}?",
    PromptKey.WAITING: "{next}",
    PromptKey.WAITING_ALL: "pull",
    PromptKey.KEEP_CRANKING: "crank",
    PromptKey.ENOUGH: "enough",
    PromptKey.LINK_LOST: "wait",
    PromptKey.LINK_BACK: "{next}",
    PromptKey.LINK_BACK_ALL: "pull",
    PromptKey.WAKE_GAUGE: "switch on",
    PromptKey.BATTERY_LOW: "battery",
    PromptKey.DISK_TROUBLE: "not safe",
    PromptKey.DISK_BACK: "disk ok",
    PromptKey.RESUMED: "{next}",
    PromptKey.RESUMED_ALL: "pull",
    PromptKey.LEAK_LOCK: "lock",
    PromptKey.LEAK_PUMP: "pump",
    PromptKey.LEAK_AIR: "air in",
    PromptKey.LEAK_LOW: "pump on",
    PromptKey.LEAK_CLOSED: "hands off",
    PromptKey.LEAK_ANEW: "anew",
    PromptKey.LEAK_OVER: "air off",
    PromptKey.LEAK_ABSOLUTE: "absolute",
    PromptKey.LEAK_WAIT: "wait",
    PromptKey.LEAK_PASS: "passed",
    PromptKey.LEAK_FAIL: "failed",
    PromptKey.LEAK_UNDECIDED: "pump again",
    PromptKey.LEAK_PERCENT: "{percent} %",
    PromptKey.LEAK_SOAP_CASE: "soap",
    PromptKey.LEAK_SOAP: "soap",
    PromptKey.LEAK_LISTEN: "listen",
    PromptKey.LEAK_LET_OFF: "air off",
    PromptKey.LEAK_MOVED: "air off",
    PromptKey.LEAK_ABOVE_SUPPLY: "check supply",
    PromptKey.LEAK_STOPPED: "stopped",
    PromptKey.LEAK_BROKEN_OFF: "keep closed",
    PromptKey.LEAK_GOES_ON: "goes on",
    PromptKey.LEAK_FROM_START: "air off",
    PromptKey.LEAK_CUT: "begin again",
    PromptKey.LEAK_CUT_AWAY: "begin again",
    PromptKey.LEAK_CUT_CLOCK: "begin again",
    PromptKey.LEAK_CUT_PRESSURE: "begin again",
    PromptKey.LEAK_CUT_MOVED: "begin again",
}


def large_words(prompt: Prompt) -> str:
    """The essential words of a prompt, in capitals: ``MAG``, ``AGAIN``, ``PTO OR MAG?``."""
    named = {name: _cylinder(value) for name, value in prompt.args.items() if isinstance(value, str)}
    percent = prompt.args.get("percent", "")
    few = len(prompt.cylinders) <= MOST_NAMED
    everyone = " ".join(_cylinder(name) for name in prompt.cylinders) if few else "all"
    return LARGE[prompt.key].format_map({**named, "percent": percent, "all": everyone}).upper()


def _cylinder(name: str) -> str:
    return f"cyl {name}" if name.isdigit() else name
