"""What a counter that wraps says of a frame: next, again, late, or from a gauge that started over."""

import pytest

from gaugelink.gauge.order import Counter, Verdict

FRAME_S = 0.1


def counter(period: int, *values: int) -> Counter:
    """A counter that saw these counts, each on time."""
    made = Counter(period)
    for value in values:
        made.see(value, FRAME_S, FRAME_S)
    return made


def test_a_frame_that_is_missing_among_those_a_radio_let_go_together_is_lost() -> None:
    followed = counter(256, 0, 1)
    assert followed.see(2, 1.0, FRAME_S) == (Verdict.NEXT, 1)
    assert followed.see(4, 0.0, FRAME_S) == (Verdict.NEXT, 2)


@pytest.mark.parametrize(("silence_s", "moved"), [(1.2, 1), (1.5, 1), (1.8, 17), (3.0, 17), (3.4, 33)])
def test_no_more_frames_were_missed_than_there_was_time_to_send(silence_s: float, moved: int) -> None:
    # Of a counter of sixteen: after 1.5 s at 0.1 s a frame no seventeenth can have been sent, nor after 3.0 s a 33rd.
    assert counter(16, 0, 1).see(2, silence_s, FRAME_S) == (Verdict.NEXT, moved)


def test_frames_that_came_late_before_the_link_was_lost_do_not_make_one_behind_it_a_new_count() -> None:
    followed = counter(256, 199, 200)
    assert [followed.see(late, 0.0, FRAME_S)[0] for late in (150, 151)] == [Verdict.LATE] * 2
    followed.restart()
    assert followed.see(201, 5.0, FRAME_S) == (Verdict.RESTART, 0)
    assert followed.see(152, 0.0, FRAME_S) == (Verdict.LATE, -49)
    assert followed.see(202, FRAME_S, FRAME_S) == (Verdict.NEXT, 1)


def test_a_loss_that_there_was_time_for_is_counted_and_a_count_that_ran_ahead_of_time_began_anew() -> None:
    assert counter(256, 0, 1).see(21, 2.0, FRAME_S) == (Verdict.NEXT, 20)
    # A hundred frames of 0.1 s are not sent within one.
    jumped = counter(256, 0, 1)
    assert jumped.see(101, FRAME_S, FRAME_S) == (Verdict.RESTART, 0)
    assert jumped.see(102, FRAME_S, FRAME_S) == (Verdict.NEXT, 1)


def test_the_next_count_is_the_next_frame_however_soon_it_comes_behind_the_one_before() -> None:
    # A gauge of one frame in two seconds, of which a radio let two go together.
    followed = Counter(256)
    followed.see(7, None, 2.0)
    assert followed.see(8, 0.0, 2.0) == (Verdict.NEXT, 1)


def test_where_no_time_is_known_a_count_is_ahead_by_up_to_half_a_turn_and_behind_by_less() -> None:
    for ahead in (1, 7, 8):
        assert counter(16, 2).see((2 + ahead) % 16, None, None) == (Verdict.NEXT, ahead)
    for behind in (1, 3, 7):
        assert counter(16, 2).see((2 - behind) % 16, None, None) == (Verdict.LATE, -behind)


def test_a_gauge_that_started_over_just_before_its_counter_turns_is_believed_across_the_turn() -> None:
    followed = counter(256, 19, 20)
    late = [followed.see(value, 0.0, FRAME_S)[0] for value in (254, 255, 0)]
    assert late == [Verdict.LATE, Verdict.LATE, Verdict.RESTART]
    assert followed.see(1, FRAME_S, FRAME_S) == (Verdict.NEXT, 1)


def test_a_count_further_back_than_any_frame_comes_late_is_a_gauge_that_started_over() -> None:
    assert counter(256, 99, 100).see(36, 0.0, FRAME_S) == (Verdict.LATE, -64)
    started = counter(256, 99, 100)
    assert started.see(35, 0.0, FRAME_S) == (Verdict.RESTART, 0)
    assert started.see(36, FRAME_S, FRAME_S) == (Verdict.NEXT, 1)


def test_frames_that_change_places_with_the_next_one_again_and_again_are_late_and_no_new_count() -> None:
    followed = counter(256, 0, 1)
    seen = [followed.see(value, FRAME_S, FRAME_S) for value in (3, 2, 5, 4, 7, 6, 9, 8)]
    assert seen == [(Verdict.NEXT, 2), (Verdict.LATE, -1)] * 4


def test_a_late_frame_that_comes_several_times_is_late_each_time_and_no_new_count() -> None:
    followed = counter(256, 199, 200)
    assert [followed.see(150, 0.0, FRAME_S) for _ in range(4)] == [(Verdict.LATE, -50)] * 4
    assert followed.see(201, FRAME_S, FRAME_S) == (Verdict.NEXT, 1)
