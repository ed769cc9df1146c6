"""Quotes on hand-made hazards: amounts to the cent, order and seed, limits, prices, faults of lists and terms."""

from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from plantstats import findings
from plantstats.guarantee import plant_list, quote, quote_findings
from plantstats.guarantee.hazards import Exits, LineHazards, site_effects, stream
from plantstats.guarantee.price import price, shared_out
from plantstats.guarantee.terms import LEAST_DRAWS, Terms, TermsError, read_terms, terms_from
from plantstats.guarantee.year_error import YearError
from plantstats.pages import guarantee_sentences, guarantee_tables
from plantstats.records import RecordError, Settings
from plantstats.settings import settings_from

CUTS = (90, 365, 730)


@dataclass
class HandMade:
    """A loss model made by hand: one constant hazard per species, with a spread of sites and of the model."""

    per_day: dict
    frailty_variance: float = 0.0
    model_sd: float = 0.0
    oldest: float = 9_999.0
    lost: dict = field(default_factory=dict)
    air: dict = field(default_factory=dict)

    def for_lines(self, lines, n_samples, seed, unseen="group"):
        flat = np.array([self.per_day[name] for name in lines["species"]])
        wobble = (
            np.exp(stream(seed, "model").normal(0, self.model_sd, n_samples)) if self.model_sd else np.ones(n_samples)
        )
        return LineHazards(
            CUTS,
            flat,
            np.ones((5, 12)),
            np.outer(wobble, flat),
            np.ones((n_samples, 5, 12)),
            np.full(n_samples, self.frailty_variance),
            np.full(len(flat), self.oldest),
            ("its own losses",) * len(flat),
        )

    def site_history(self, sites, n_samples, seed):
        return np.array([self.lost.get(s, (0, 0))[0] for s in sites], float), np.tile(
            [float(self.lost.get(s, (0, 0))[1]) for s in sites], (n_samples, 1)
        )

    def site_air(self, sites):
        return np.array([self.air.get(site, 1.0) for site in sites])


def listed(*rows):
    base = {
        "site_id": plant_list.NEW_SITE,
        "species": "Ficus lyrata",
        "light": "medium",
        "pot": "25-34 cm",
        "planter": "direct",
        "quantity": 1,
        "unit_cost": 40.0,
        "labour_minutes": 30.0,
        "installed_on": pd.NaT,
    }
    frame = pd.DataFrame([base | row for row in rows])
    return frame.assign(
        position=frame.get("position", pd.Series([f"A{n}" for n in range(len(frame))])),
        installed_on=pd.to_datetime(frame["installed_on"]),
        file="list.csv",
        line=np.arange(len(frame)) + 2,
    )


TERMS = Terms(date(2025, 7, 1), 24, wage_per_hour=3600, lead_days=0, draws=100, seed=20250630, excluded=())
MODEL = HandMade({"Ficus lyrata": 0.3 / 365, "Dracaena marginata": 1 / 700, "Aspidistra elatior": 1 / 2000}, 0.2, 0.15)
A1 = {"position": "A1", "unit_cost": 38.50, "labour_minutes": 20}
A2 = {"position": "A2", "species": "Dracaena marginata", "unit_cost": 29.90, "labour_minutes": 15}
B7 = {"position": "B7", "species": "Aspidistra elatior", "unit_cost": 55.00, "labour_minutes": 25}


def quoted(rows, model=MODEL, terms=TERMS, year_error=None):
    return quote.make_quote(listed(*rows), model, Exits(), terms, year_error)


def amounts(made):
    return made.lines.set_index("position")["cost"].to_dict()


def test_the_same_list_costs_the_same_twice_and_in_any_order():
    once, again, turned = quoted([A1, A2]), quoted([A1, A2]), quoted([A2, A1])
    assert amounts(once) == amounts(again) == amounts(turned)
    for share in (0.5, 0.8, 0.95):
        assert once.quantile(share) == again.quantile(share) == turned.quantile(share)


def test_one_position_more_leaves_the_others_as_they_are():
    two, three = quoted([A1, A2]), quoted([A1, A2, B7])
    assert {k: v for k, v in amounts(three).items() if k != "B7"} == amounts(two)
    assert three.expected_cost == two.expected_cost + amounts(three)["B7"]


def test_a_line_at_another_site_leaves_the_others_as_they_are():
    # The new site's name sorts before the others': no line's draws may hang on its place.
    here = [A1 | {"site_id": "S5"}, A2 | {"site_id": "S7"}]
    two, three = quoted(here), quoted([*here, B7 | {"site_id": "S1"}])
    assert {k: v for k, v in amounts(three).items() if k != "B7"} == amounts(two)


def test_another_seed_moves_the_amounts_within_the_stated_error():
    made = [quoted([A1, A2, B7], terms=replace(TERMS, seed=seed, draws=200)) for seed in range(6)]
    means = np.array([one.cost.mean for one in made])
    assert len(set(means)) == len(means)
    assert means.std(ddof=1) < 3 * np.mean([one.mean_error for one in made])
    points = np.array([one.quantile(0.8) for one in made])
    assert np.ptp(points) <= 6 * np.mean([one.quantile_errors[0.8] for one in made]) + made[0].cost.unit


def test_a_site_in_drier_air_is_expected_to_lose_as_many_times_more():
    # With a constant hazard and no lead time replacements are a Poisson number: 1.5 times the hazard, 1.5 times as
    # many. Sites vary, and their draws are their own: the same site is asked twice, once in its own air.
    line = [A1 | {"site_id": "S5"}]
    usual, dry = (quoted(line, HandMade(MODEL.per_day, 0.2, air=air)) for air in ({}, {"S5": 1.5}))
    assert dry.lines["expected"].iloc[0] == pytest.approx(1.5 * usual.lines["expected"].iloc[0], rel=1e-3)


def test_more_draws_have_a_smaller_error():
    errors = [
        np.mean([quoted([A1] * 3, terms=replace(TERMS, seed=s, draws=n)).mean_error for s in range(4)])
        for n in (30, 480)
    ]
    assert errors[1] < errors[0] / 2


def test_a_constant_hazard_of_one_a_year_costs_two_replacements_in_two_years():
    # 730 days at 1/365: 2.000 replacements; 40.00 + 30 minutes at 36.00 an hour = 58.00 each: 116.00. The first
    # plant is no replacement.
    made = quoted([{}], HandMade({"Ficus lyrata": 1 / 365}))
    assert made.lines["unit"].tolist() == [5800]
    assert made.number.mean == pytest.approx(2, abs=1e-3)
    assert made.expected_cost == 11600


def test_amounts_add_up_to_the_cent():
    made = quoted([A1, A2, B7, A1 | {"position": "C", "quantity": 7}])
    assert made.expected_cost == made.lines["cost"].sum()
    offered = price(made, 0.8)
    assert sum(offered.by_line) == offered.monthly
    assert made.by_year.sum() == pytest.approx(made.number.mean)
    assert sum(made.shares.values()) == pytest.approx(1)


def test_the_charge_is_point_with_margin_over_the_months():
    made = quoted([A1, A2])
    offered = price(made, 0.8)
    # Without a discount rate: point x 1.10 / 24.
    assert offered.monthly == pytest.approx(made.quantile(0.8) * 1.10 / 24, abs=0.5)
    assert np.isnan(offered.share_of_fee)
    with_fee = price(quoted([A1, A2], terms=replace(TERMS, monthly_fee=20_000)), 0.8)
    assert with_fee.share_of_fee == pytest.approx(100 * with_fee.monthly / 20_000)


def test_a_discount_rate_lowers_what_later_replacements_are_worth():
    free, dear = (quoted([A1], terms=replace(TERMS, discount_percent=(rate,))) for rate in (0.0, 10.0))
    assert free.discounted == free.expected_cost
    # Constant hazard: the mean payment comes after about a year; 1/1.1 = 0.909.
    assert dear.discounted / dear.expected_cost == pytest.approx(0.909, abs=0.01)


@pytest.mark.parametrize("rows", [[A1 | {"unit_cost": 0.0, "labour_minutes": 0.0}], [A1 | {"quantity": 0}]])
def test_what_costs_nothing_is_quoted_at_nothing(rows):
    made = quoted(rows)
    assert (made.expected_cost, made.quantile(0.95), price(made, 0.8).monthly) == (0, 0, 0)


def test_a_term_of_no_months_costs_nothing():
    made = quoted([A1], terms=replace(TERMS, months=0))
    assert (made.expected_cost, made.quantile(0.95), price(made, 0.8).monthly) == (0, 0, 0)
    assert quote_findings.owner_findings(made, price(made, 0.8), (9, 10)) is not None


def test_fifty_thousand_plants_are_quoted_exactly():
    made = quoted([A1 | {"quantity": 50_000}], HandMade({"Ficus lyrata": 0.0002}))
    assert made.number.mean == pytest.approx(50_000 * 0.0002 * 730, rel=1e-4)
    # Poisson numbers: sd = sqrt(mean), by the normal law 80% lies 0.8416 sd above the mean.
    assert made.number.quantile(0.8) == pytest.approx(made.number.mean + 0.8416 * np.sqrt(made.number.mean), abs=2)


def test_a_cap_per_position_of_one_is_one_minus_survival():
    made = quoted([A1], HandMade({"Ficus lyrata": 0.001}), replace(TERMS, cap_per_position=1))
    assert made.number.mean == pytest.approx(1 - np.exp(-0.730), abs=1e-9)


def test_a_limit_in_money_holds_for_the_whole_list():
    free = quoted([A1, A2])
    capped = quoted([A1, A2], terms=replace(TERMS, cap_money=6000))
    assert capped.quantile(0.95) == 6000
    assert capped.expected_cost < free.expected_cost
    assert capped.expected_cost <= 6000


def test_labour_that_the_client_pays_is_no_cost_of_ours():
    assert quote.unit_cost(38.50, 20, TERMS) == 3850 + 1200
    assert quote.unit_cost(38.50, 20, replace(TERMS, labour_by="client", delivery=650)) == 3850 + 650


def test_without_site_or_model_all_uncertainty_is_chance():
    made = quoted([A1, A2], HandMade(MODEL.per_day))
    assert made.shares == pytest.approx({"chance": 1.0, "site": 0.0, "model": 0.0}, abs=1e-12)
    wide = quoted([A1 | {"quantity": 500}])
    assert wide.shares["site"] > 0.5 > wide.shares["chance"]


def test_a_site_effect_widens_the_points_as_the_negative_binomial():
    # 400 positions, cap 1, small hazard: numbers are Poisson of mean 400 x 0.0365 = 14.6 times a gamma effect of
    # variance 0.25: negative binomial with size 4.
    made = quoted([A1 | {"quantity": 400}], HandMade({"Ficus lyrata": 0.00005}, 0.25), replace(TERMS, draws=2000))
    size, mean = 4.0, 400 * 0.00005 * 730
    law = stats.nbinom(size, size / (size + mean))
    for share in (0.5, 0.8, 0.95):
        assert made.number.quantile(share) == pytest.approx(law.ppf(share), abs=1)


def test_a_known_site_is_drawn_towards_its_own_losses():
    # Shape 1/0.5 + 30 = 32, rate 1/0.5 + 10 = 12: mean 2.67.
    drawn = site_effects(np.full(2000, 0.5), np.array([30.0]), np.full((2000, 1), 10.0), ["S1"], 1)
    assert drawn.mean() == pytest.approx(32 / 12, rel=1e-3)
    assert drawn.var() == pytest.approx(32 / 144, rel=2e-2)


def test_beyond_the_ages_on_record_it_says_so_or_refuses():
    # Known to day 180 only; promised for 36 months: never silently free of loss.
    short = HandMade({"Ficus lyrata": 0.001}, oldest=180.0)
    made = quoted([A1], short, replace(TERMS, months=36))
    assert any("followed to day 180" in note and "assumption" in note for note in made.notes)
    assert made.number.mean > 1
    with pytest.raises(quote.QuoteError, match="shorten the term"):
        quoted([A1], short, replace(TERMS, months=36, beyond_ages="refuse"))


def test_an_older_plant_is_as_old_as_its_install_date_says():
    made = quoted([A1 | {"installed_on": "2024-07-01"}])
    assert made.lines["planted"].tolist() == [-365]
    assert made.lines["age_end"].tolist() == [730 + 365]


def test_a_line_planted_late_is_at_risk_from_its_planting_only():
    made = quoted([A1 | {"installed_on": "2026-07-01"}], HandMade({"Ficus lyrata": 0.001}))
    assert made.number.mean == pytest.approx(0.365, abs=1e-4)


def test_findings_of_a_quote_hold_the_house_rules_and_the_client_sees_no_cost():
    made = quoted([A1, A2])
    offered = price(made, 0.8)
    table = quote_findings.owner_findings(made, offered, (9, 10))
    by_line = findings.pick(table, "expected_guarantee_cost", ["line", "species", "light", "pot"])
    assert round(100 * by_line["estimate"].sum()) == made.expected_cost
    shown = quote_findings.client_findings(made, offered)
    assert set(shown["measure"]) == {"monthly_charge", "monthly_charge_per_plant"}
    page = guarantee_tables.offer_table(made, offered).to_string()
    assert "38.50" not in page
    assert "50.50" not in page


@pytest.mark.parametrize(
    ("total", "weights", "parts"),
    [(100, [1, 1, 1], (34, 33, 33)), (5, [0, 3, 2], (0, 3, 2)), (7, [0, 0], (7, 0)), (0, [], ())],
)
def test_cents_are_shared_out_whole(total, weights, parts):
    assert shared_out(total, weights) == parts


def test_a_price_never_lies_below_the_expected_cost():
    # One plant over a year at 0.0005 a day: lost with 1 - exp(-0.1825) = 16.7%: nothing is to be paid in 80 of 100 such
    # contracts, and 0.167 x 50.50 = 8.42 is to be expected. A charge of nothing would lose that, whatever its margin.
    terms = replace(TERMS, months=12, cap_per_position=1, margin_percent=12.0)
    made = quoted([A1], HandMade({"Ficus lyrata": 0.0005}), terms)
    offered = price(made, 0.8)
    assert (made.quantile(0.8), made.expected_cost) == (0, 842)
    assert offered.monthly == round(842 * 1.12 / 12)
    assert not offered.covers_point
    sentence = guarantee_sentences.quote_sentences(made, offered)[2]
    assert "lies below the expected cost" in sentence
    assert "leaves a margin" not in sentence
    notes = quote_findings.owner_findings(made, offered, (9, 10)).set_index("measure")["note"]
    assert "on the expected cost" in notes["monthly_charge"]


def test_the_year_to_year_error_moves_the_mean_and_widens_the_cost():
    # 400 positions: so many that chance is small. A lasting factor of 1.2, and a year's of variance 0.04, on Poisson
    # numbers of mean 14.6: negative binomial with mean 17.52 and size 25.
    rows = [A1 | {"quantity": 400}]
    model, terms = HandMade({"Ficus lyrata": 0.00005}), replace(TERMS, draws=2000)
    error = YearError(pd.DataFrame(), 0.04, np.array([1.2]), np.array([0.04]), np.array([1.0]))
    made, usual = quoted(rows, model, terms, error), quoted(rows, model, terms)
    mean = 1.2 * 400 * 0.00005 * 730
    assert made.number.mean == pytest.approx(mean, rel=2e-3)
    nbinom = stats.nbinom(25, 25 / (25 + mean))
    for share in (0.5, 0.8, 0.95):
        assert made.number.quantile(share) == pytest.approx(nbinom.ppf(share), abs=1)
    assert made.shares["year"] == pytest.approx(0.04 * mean**2 / (mean + 0.04 * mean**2), abs=0.05)
    assert "year" not in usual.shares


# --- lists -------------------------------------------------------------------------------------------------------


def write(tmp_path, text):
    path = tmp_path / "list.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_list_is_read_with_its_lines_and_what_it_leaves_open(tmp_path):
    path = write(
        tmp_path, "species;light;pot_cm;quantity;unit_cost\nJanet Craig;low;27;3;46,00\nFicus lyrata;;;;94,5\n"
    )
    made = plant_list.read(path, Settings()).lines
    assert made["position"].tolist() == ["line 2", "line 3"]
    assert made["quantity"].tolist() == [3, 1]
    assert made["unit_cost"].tolist() == [46.0, 94.5]
    assert made["pot"].tolist() == ["25-34 cm", "unknown"]
    assert made["light"].tolist() == ["low", "unknown"]
    assert made["site_id"].tolist() == [plant_list.NEW_SITE] * 2


def test_the_settings_say_how_a_plant_list_is_written(tmp_path):
    path = write(tmp_path, 'Art,position,unit_cost\nFicus lyrata,A,"1.234"\n')
    with pytest.raises(RecordError, match="no column species"):
        plant_list.read(path, Settings())
    given = {"tables": {"quote": {"columns": {"species": "Art"}, "decimal": ","}}}
    made = plant_list.read(path, settings_from(given, "records.toml")).lines
    assert made[["species", "unit_cost"]].values.tolist() == [["Ficus lyrata", 1234.0]]


def test_every_wrong_line_is_named_and_none_is_dropped(tmp_path):
    path = write(
        tmp_path,
        "position,species,light,quantity,unit_cost\nA,Ficus lyrata,gloomy,1,40.00\n"
        "B,,low,1,40.00\nC,Ficus lyrata,low,2.5,40.00\nD,Ficus lyrata,low,1,free\n",
    )
    with pytest.raises(RecordError) as caught:
        plant_list.read(path, Settings())
    text = str(caught.value)
    for part in (
        "line 2, column light: 'gloomy'",
        "line 3, column species",
        "line 4, column quantity: '2.5'",
        "line 5, column unit_cost: 'free'",
        "4 faults",
    ):
        assert part in text


def test_lines_that_nothing_on_record_is_like_are_named_and_so_are_heads_that_are_not_read(tmp_path):
    path = write(tmp_path, "species,light,size,unit_cost\nFicus lyrata,low,27,40.00\nFicus lyrata,sun,27,40.00\n")
    lines, notes = plant_list.read(path, Settings())
    assert notes == ("list.csv, unused columns: not used: 'size'",)
    plant_list.check_known(lines, {"light": ("low", "sun"), "pot": ("unknown",)})
    with pytest.raises(RecordError) as caught:
        plant_list.check_known(lines, {"light": ("low", "medium"), "pot": ("15-24 cm",)})
    text = str(caught.value)
    for part in ("line 2, column pot_cm: unknown", "line 3, column light: sun", "line 3, column pot_cm", "3 faults"):
        assert part in text
    assert "line 2, column light" not in text


def test_a_workbook_is_a_list_as_well(tmp_path):
    path = tmp_path / "list.xlsx"
    pd.DataFrame(
        {"species": ["Ficus lyrata"], "unit_cost": [94.5], "installed_on": [pd.Timestamp("2026-02-28")]}
    ).to_excel(path, index=False)
    made = plant_list.read(path, Settings()).lines
    assert made["installed_on"].tolist() == [pd.Timestamp("2026-02-28")]


@pytest.mark.parametrize(
    ("text", "what"),
    [("species,light\nFicus lyrata,low\n", "no column unit_cost"), ("species,unit_cost\n", "no line with a plant")],
)
def test_a_list_that_cannot_be_one_is_refused(tmp_path, text, what):
    with pytest.raises(RecordError, match=what):
        plant_list.read(write(tmp_path, text), Settings())


def test_positions_named_twice_stay_apart(tmp_path):
    path = write(tmp_path, "position,species,unit_cost\nA,Ficus lyrata,1.00\nA,Ficus elastica,2.00\n")
    assert plant_list.read(path, Settings()).lines["position"].tolist() == ["A (line 2)", "A (line 3)"]


# --- terms -------------------------------------------------------------------------------------------------------


def test_terms_say_all_their_faults_at_once():
    with pytest.raises(TermsError) as caught:
        terms_from(
            {
                "guarantee": {"starts_on": "2026-02-30", "month": 12, "covered": ["pests"], "cap_per_position": -1},
                "costs": {"delivery": "free", "currency": "euro", "rounding": "down"},
                "method": {"draws": 1},
                "prices": {},
            }
        )
    text = str(caught.value)
    for part in (
        "2026-02-30",
        "did you mean months",
        "'pests' is not known; did you mean pest",
        "from 0 to 100",
        "'free'",
        "ISO 4217",
        "half-up, half-even",
        f"from {LEAST_DRAWS}",
        "did you mean price",
    ):
        assert part in text


@pytest.mark.parametrize("draws", [0, -5, 1, 2.5, True])
def test_too_few_draws_are_refused(draws):
    with pytest.raises(TermsError, match=r"method\.draws"):
        terms_from({"guarantee": {"starts_on": "2026-01-01"}, "method": {"draws": draws}})


def test_terms_need_their_first_day_and_contradict_themselves_by_name():
    with pytest.raises(TermsError, match="starts_on is missing"):
        terms_from({})
    with pytest.raises(TermsError, match="pest stands under covered and under excluded"):
        terms_from({"guarantee": {"starts_on": "2026-01-01", "covered": ["pest"], "excluded": ["pest"]}})


def test_terms_hold_no_code(tmp_path):
    path = tmp_path / "terms.toml"
    path.write_text("[guarantee]\nstarts_on = \"__import__('os').mkdir('PWNED')\"\n", encoding="utf-8")
    with pytest.raises(TermsError, match="wants a day"):
        read_terms(path)
    assert not (tmp_path / "PWNED").exists()
