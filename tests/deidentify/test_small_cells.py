from service.deidentify.small_cells import Step, people_below, plan, smallest_class

# 21 records in five classes: k = 1; at k = 5 the classes of 4 and 1 fall out; at k = 11 all do.
CLASSES = {"a": 6, "b": 5, "c": 4, "d": 5, "e": 1}


def test_k_is_the_smallest_class():
    assert smallest_class(CLASSES) == 1
    assert smallest_class({}) == 0


def test_people_in_classes_that_are_too_small():
    assert people_below(CLASSES, 5) == 5
    assert people_below(CLASSES, 11) == 21


def test_classes_too_small_are_widened_or_suppressed():
    wide = {"1957": "60-69", "1958": "60-69", "1959": "60-69", "1971": "50-59"}
    sizes = {"1957": 3, "1958": 2, "1959": 5, "1971": 4}
    assert plan(sizes, 5, wide.__getitem__) == {
        "1957": Step.GENERALISED,
        "1958": Step.GENERALISED,
        "1959": Step.AS_IS,
        "1971": Step.SUPPRESSED,
    }


def test_people_who_leave_as_they_are_do_not_hide_the_widened():
    wide = {"1958": "60-69", "1959": "60-69"}
    assert plan({"1958": 4, "1959": 5}, 5, wide.__getitem__)["1958"] is Step.SUPPRESSED
