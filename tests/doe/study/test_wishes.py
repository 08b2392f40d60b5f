"""How the welds are planned, and what is to be claimed."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from doe.study import Blocks, Claim, PlanWishes, Study

Parse = Callable[..., Study]
Refused = Callable[..., None]
WIRE = '[[factor]]\nname = "wire"\nkinds = ["A", "B"]\n'


def test_the_defaults_are_those_of_the_interface(parse: Parse) -> None:
    study = parse()
    assert study.plan == PlanWishes(
        welds=18,
        welds_per_plate=1,
        later_welds="cooled",
        model="second order",
        repeats=3,
        criterion="I",
        plate_ratio=1.0,
        stages=(18,),
    )
    assert study.claim == Claim(0.9, 0.9)
    assert study.units == "metric"


@pytest.mark.parametrize(
    ("welds", "stages"), [(18, (18,)), (17, (17,)), (16, (8, 8)), (12, (8, 4)), (9, (8, 1)), (8, (8,)), (4, (4,))]
)
def test_eight_welds_come_first_where_fewer_than_17_are_affordable(
    parse: Parse, welds: int, stages: tuple[int, ...]
) -> None:
    assert parse(f"[plan]\nwelds = {welds}\n").plan.stages == stages


def test_blocks_are_not_cut_by_stages(parse: Parse) -> None:
    plan = parse('[plan]\nwelds = 12\nblocks = { name = "day", sizes = [6, 6] }\n').plan
    assert plan.stages == (12,)
    assert plan.blocks == Blocks("day", (6, 6))


def test_plates_may_differ_in_size_and_are_not_cut_by_stages(parse: Parse) -> None:
    plan = parse("[plan]\nwelds = 12\nwelds_per_plate = [3, 3, 2, 4]\n").plan
    assert (plan.plates, plan.welds_per_plate, plan.stages) == ((3, 3, 2, 4), 4, (12,))
    assert parse("[plan]\nwelds = 12\nwelds_per_plate = 3\n").plan.plates == ()


def test_compound_criterion_and_potential_terms_can_be_asked_for(parse: Parse) -> None:
    plan = parse('[plan]\ncriterion = "compound"\npotential = "third order"\n').plan
    assert (plan.criterion, plan.potential) == ("compound", "third order")


PORES = '[[response]]\nname = "porosity"\nkind = "count"\nper = "100 mm"\nat_most = 2\n'


def test_second_beads_can_be_asked_for_where_something_is_counted(parse: Parse) -> None:
    assert parse("[plan]\nsecond_bead = true\n", response=PORES).plan.second_bead
    assert not parse("[plan]\nsecond_bead = false\n").plan.second_bead
    assert not parse(response=PORES).plan.second_bead


@pytest.mark.parametrize(
    "response",
    ["", '[[response]]\nname = "porosity"\nkind = "count"\nper = "100 mm"\n'],
    ids=["nothing counted", "no requirement"],
)
def test_second_beads_are_refused_where_nothing_counted_is_required(refused: Refused, response: str) -> None:
    depth = '[[response]]\nname = "penetration"\nkind = "measure"\nunit = "mm"\nat_least = 1.2\n'
    said = "no response of kind “count” has a requirement here: give one at_most, or leave second_bead out"
    refused("plan.second_bead", said, "[plan]\nsecond_bead = true\n", response=depth + response)


def test_few_welds_have_few_repeats(parse: Parse) -> None:
    assert parse("[plan]\nwelds = 2\n").plan.repeats == 1
    assert parse("[plan]\nwelds = 1\n").plan.repeats == 0
    assert parse("[plan]\nrepeats = 0\n").plan.repeats == 0


def test_terms_and_codes_are_kept_as_wished(parse: Parse) -> None:
    text = (
        '[plan]\nterms = ["constant", "feed", "feed^5", "wire"]\ncoding = { feed = { centre = 7, half = "1 m/min" } }\n'
    )
    study = parse(text, factor='[[factor]]\nname = "feed"\nunit = "m/min"\nlow = 5\nhigh = 9\n' + WIRE)
    assert study.plan.terms == ("constant", "feed", "feed^5", "wire")
    assert study.plan.coding == (("feed", 7.0, 1.0),)
    assert study.coding["feed"].half == 1.0


def test_shares_may_be_per_cent(parse: Parse) -> None:
    assert parse('[claim]\nreliability = "80 %"\nconfidence = 0.95\n').claim == Claim(0.8, 0.95)


@pytest.mark.parametrize(
    ("body", "where", "match"),
    [
        ("welds = 0", ".welds", "“0” is not accepted; a whole number from 1 to 1000 is"),
        ("welds = 1001", ".welds", "from 1 to 1000"),
        ("welds = 12.5", ".welds", "“12.5” is not accepted; write a whole number"),
        ('welds = "18"', ".welds", "“18” is not accepted; write a number without quotes"),
        ("welds = " + "9" * 200, ".welds", "“a very large number” is not accepted; write an ordinary number"),
        ("welds_per_plate = 0", ".welds_per_plate", "from 1 to 18 is"),
        ("welds_per_plate = 19", ".welds_per_plate", "from 1 to 18 is"),
        ('later_welds = "hot"', ".later_welds", "accepted are cooled, warm"),
        ('model = "second-order"', ".model", "did you mean “second order”"),
        ("repeats = 18", ".repeats", "from 0 to 17 is"),
        ("repeats = -1", ".repeats", "from 0 to 17 is"),
        ('criterion = "A"', ".criterion", "accepted are I, D, compound"),
        ('second_bead = "yes"', ".second_bead", "write true or false, without quotes"),
        ('potential = "fourth order"', ".potential", "accepted are none, third order"),
        ("welds_per_plate = [9, 8]", ".welds_per_plate", "the plates hold 17 welds, but welds = 18"),
        ("welds_per_plate = [18, 0]", ".welds_per_plate", "each plate has at least one weld"),
        ("welds_per_plate = []", ".welds_per_plate", "each plate has at least one weld"),
        ("welds_per_plate = [9, 9]\nstages = [8, 10]", ".stages", "the first 8 welds end in the middle of a plate"),
        (
            'welds_per_plate = [9, 9]\nblocks = { name = "day", sizes = [12, 6] }',
            ".blocks",
            "the first 12 welds end in the middle of a plate",
        ),
        ("plate_ratio = -1", ".plate_ratio", "a variance ratio is 0 or more"),
        ("stages = [8, 8]", ".stages", "the stages add up to 16 welds, but welds = 18"),
        ("stages = [18, 0]", ".stages", "each stage has at least one weld"),
        ('stages = ["8"]', ".stages", "“8” is not accepted"),
        (
            'blocks = { name = "day", sizes = [9, 8] }',
            ".blocks.sizes",
            "the block sizes add up to 17 welds, but welds = 18",
        ),
        ('blocks = { name = "day", sizes = [18, 0] }', ".blocks.sizes", "each block has at least one weld"),
        ('blocks = { name = "a,b", sizes = [9, 9] }', ".blocks.name", "it holds “,”"),
        ("blocks = { sizes = [9, 9] }", ".blocks.name", "“name” is missing"),
        ("blocks = [9, 9]", ".blocks", "write a table in curly brackets"),
        ('terms = ["constant", "fed"]', ".terms[2]", "a part “fed” that is not understood"),
        ('terms = ["feed^0"]', ".terms[1]", "is not understood"),
        ('terms = ["feed", "feed"]', ".terms[2]", "the term “feed” stands twice"),
        ("coding = { fed = { centre = 1, half = 1 } }", ".coding.fed", "“fed” is not a factor; did you mean “feed”"),
        ("coding = { feed = { centre = 1, half = 0 } }", ".coding.feed.half", "0 is not above 0"),
        ("coding = { feed = { center = 1, half = 1, centre = 1 } }", ".coding.feed.center", "did you mean “centre”"),
        ("coding = { feed = { centre = 1 } }", ".coding.feed.half", "“half” is missing"),
        ('coding = { feed = { centre = "1 V", half = 1 } }', ".coding.feed.centre", "“V” is a unit of voltage"),
        ("coding = { feed = 3 }", ".coding.feed", "a table with the keys centre, half"),
        ("wleds = 18", ".wleds", "“wleds” is not a key of this table; did you mean “welds”"),
    ],
)
def test_a_faulty_plan_is_refused_at_its_key(refused: Refused, body: str, where: str, match: str) -> None:
    refused("plan" + where, match, f"[plan]\n{body}\n")


def test_kinds_are_not_coded_by_centre_and_half(refused: Refused) -> None:
    refused(
        "plan.coding.wire",
        "“wire” is a factor of kinds; only numeric factors are coded",
        "[plan]\ncoding = { wire = { centre = 0, half = 1 } }\n",
        factor=WIRE,
    )


def test_contrasts_of_kinds_may_stand_in_terms_once(parse: Parse, refused: Refused) -> None:
    assert parse('[plan]\nterms = ["wire=A"]\n', factor=WIRE).plan.terms == ("wire=A",)
    refused("plan.terms[2]", "the term “wire” stands twice", '[plan]\nterms = ["wire=A", "wire"]\n', factor=WIRE)


def test_terms_are_not_blamed_for_a_factor_with_faults(refused: Refused) -> None:
    refused(
        'factor "feed".low',
        "is not below",
        '[plan]\nterms = ["feed"]\ncoding = { feed = { centre = 1, half = 1 } }\n',
        factor='[[factor]]\nname = "feed"\nlow = 2\nhigh = 1\n',
    )


@pytest.mark.parametrize("key", ["reliability", "confidence"])
@pytest.mark.parametrize("value", ["0.5", "1", "1.0", "90", "-0.9", "0"])
def test_shares_of_the_claim_lie_strictly_between_one_half_and_one(refused: Refused, key: str, value: str) -> None:
    refused(f"claim.{key}", "a share above 0.5 and below 1 is, such as 0.90", f"[claim]\n{key} = {value}\n")


def test_a_claim_in_another_unit_is_refused(refused: Refused) -> None:
    refused("claim.confidence", "“mm” is a unit of length, not of ratio", '[claim]\nconfidence = "0.9 mm"\n')
