"""One cohort, counted by DuckDB, by Apache Spark (a cluster of two workers on this machine) and by hand."""

import csv
import shutil
from collections import Counter, defaultdict
from datetime import date

import duckdb
import pytest

from service.errors import InvalidInput
from service.jobs.cohort_counts import Group
from service.jobs.cohort_engine import counted
from service.jobs.cohort_question import Question
from service.jobs.cohort_sources import NEEDED, sources
from service.jobs.cohort_sources import test_data as invented
from service.jobs.cohort_words import IN_COHORT, LEFT_OUT, NOT_THESE_TABLES
from service.jobs.synthetic_tables import registry, synthetic_tables

PEOPLE = 100
BY_STATE = Question(by="state")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Tables of invented people of three sites."""
    found = tmp_path_factory.mktemp("cohort") / "north"
    synthetic_tables(registry(11, 3), PEOPLE, found, "csv")
    return found


@pytest.fixture(scope="module")
def rows(folder):
    """The same tables as they are read without any engine."""

    def read(name):
        with (folder / f"{name}.csv").open(newline="", encoding="utf-8") as file:
            return list(csv.DictReader(file))

    return read


@pytest.fixture(scope="module")
def by_state(folder):
    return counted(sources([folder]), BY_STATE)


@pytest.fixture(scope="module")
def spark():
    """Two worker processes and a driver; nothing of it outlives the file."""
    from pyspark.sql import SparkSession  # noqa: PLC0415 - only here

    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SPARK_LOCAL_IP", "127.0.0.1")
        # little is run often enough to be compiled in earnest, and little is thrown away
        quick = "-XX:TieredStopAtLevel=1 -XX:+UseSerialGC"
        patch.setenv("PYSPARK_SUBMIT_ARGS", f"--driver-java-options '{quick}' pyspark-shell")
        settings = {
            "spark.ui.enabled": "false",
            "spark.driver.host": "127.0.0.1",
            "spark.sql.shuffle.partitions": "2",
            "spark.sql.adaptive.enabled": "false",
            "spark.executor.memory": "512m",
            "spark.executor.extraJavaOptions": quick,
            "spark.sql.codegen.wholeStage": "false",
            "spark.sql.codegen.factoryMode": "NO_CODEGEN",
            "spark.log.level": "ERROR",
        }
        builder = SparkSession.builder.master("local-cluster[2,1,512]").config(map=settings)
        session = builder.getOrCreate()
    yield session
    session.stop()


@pytest.mark.filterwarnings("default")  # of Spark's own use of pandas and of sockets
@pytest.mark.published("Apache Spark 4.0 against DuckDB")
def test_both_engines_tell_the_same_of_everything(folder, by_state, spark):
    assert counted(sources([folder]), BY_STATE, spark) == by_state


def day(text):
    return date.fromisoformat(text).toordinal() if text else None


def by_hand(rows):
    """People by kind of goal, days and ending, without SQL."""
    met, last, ends = {}, {}, defaultdict(list)
    for row in rows("goal_status"):
        if row["criterion_met"] == "true":
            met[row["goal_id"]] = min(met.get(row["goal_id"], 10**9), day(row["date"]))
    for row in rows("goal_value"):
        last[row["goal_id"]] = max(last.get(row["goal_id"], 0), day(row["date"]))
    for row in rows("measurement"):
        if row["measure"] == "reason-for-ending":
            kind = row["code"] if row["code"] in {"died", "medical-change"} else "discharged"
            ends[row["patient_id"]].append((day(row["date"]), kind))
    found = Counter()
    for goal in rows("goal"):
        id_, start = goal["goal_id"], day(goal["start_date"])
        if id_ in met:
            found[goal["measure"], met[id_] - start, "attained"] += 1
        elif id_ in last:
            later = sorted(end for end in ends[goal["patient_id"]] if end[0] >= last[id_])
            until, how = later[0] if later else (last[id_], "waiting")
            found[goal["measure"], until - start, how] += 1
    return found


def test_days_and_endings_are_those_counted_by_hand(rows, by_state):
    found = Counter()
    for group, by_time in by_state.days.items():
        for time, ended in by_time.items():
            for ending, people in ended.items():
                found[group.measure, time, ending] += people
    assert found == by_hand(rows)


def test_strata_are_where_people_live(rows, by_state):
    states = {row["patient_id"]: row["state"] for row in rows("patient")}
    goals = Counter(
        (row["measure"], states[row["patient_id"]]) for row in rows("goal") if row["lifecycle_status"]
    )
    for group, by_time in by_state.days.items():
        assert sum(sum(ended.values()) for ended in by_time.values()) <= goals[group.measure, group.stratum]


def test_judgements_are_those_of_the_opening_probe(rows, by_state):
    said = {row["trial_id"]: row["judgement"] for row in rows("trial_judgement")}
    pairs = Counter(
        (said.get(row["trial_id"]), row["closure"])
        for row in rows("trial")
        if row["block"] == "pre" and row["closure"]
    )
    told = Counter()
    for visits in by_state.judged.values():
        for cells in visits.values():
            for cell, judged in cells.items():
                told[cell] += judged.trials
                assert judged.people <= judged.trials
    assert told["both_closed"] == pairs["closed", "closed"]
    assert told["said_closed_was_open"] == pairs["closed", "not-closed"]
    assert told["said_open_was_closed"] == pairs["not-closed", "closed"]
    assert told["both_open"] == pairs["not-closed", "not-closed"]


def test_the_same_people_stand_in_every_table_of_the_answer(by_state):
    for group, by_time in by_state.days.items():
        ended = Counter()
        for one in by_time.values():
            ended.update(one)
        for other in (by_state.visits, by_state.dose, by_state.of_logged_days, by_state.unlogged_as_zero):
            told = Counter()
            for one in other[group].values():
                told.update(one)
            assert told == ended
    assert by_state.flow == {IN_COHORT: PEOPLE}


def age_class(person, first):
    age = first - int(person["birth_year"]) if person["birth_year"] else None
    if person["age_class"] or age is None:
        return person["age_class"]
    return "90 or older" if age >= 90 else f"{age - age % 10}-{age - age % 10 + 9}"


def test_who_is_not_asked_for_is_left_out_and_counted(folder, rows):
    years, codes = defaultdict(list), defaultdict(set)
    for row in rows("visit"):
        years[row["patient_id"]].append(int(row["year"]))
    for row in rows("condition"):
        codes[row["patient_id"]].add(row["code"])
    ages = ("60-69", "70-79")
    year = min(min(found) for found in years.values())
    asked = Question(("hold-time",), conditions=("I", "R13"), ages=ages, first_visit=(year, year))
    expected = Counter()
    for person in rows("patient"):
        id_ = person["patient_id"]
        first = min(years[id_])
        right = any(code.startswith(("I", "R13")) for code in codes[id_])
        old = age_class(person, first) in ages
        expected[LEFT_OUT[0 if not right else 1 if not old else 2 if first != year else 3]] += 1
    assert counted(sources([folder]), asked).flow == expected
    assert len(expected) > 1


def changed(folder, to, changes):
    """The tables of other people at ``to``, as Parquet, after statements about some of them."""
    to.mkdir()
    con = duckdb.connect()
    names = [file.stem for file in folder.glob("*.csv") if file.stem in NEEDED]
    for name in names:
        con.execute(f"CREATE TABLE {name} AS SELECT * FROM read_csv('{folder / name}.csv')")  # noqa: S608
        for column, *_ in con.execute(f"DESCRIBE {name}").fetchall():
            if column.endswith("_id"):
                con.execute(f"UPDATE {name} SET {column} = 'other ' || {column}")  # noqa: S608
    for change in changes:
        con.execute(change)
    for name in names:
        con.execute(f"COPY {name} TO '{to / name}.parquet' (FORMAT parquet)")
    return to


def test_sites_are_folders_and_what_can_not_count_is_left_out(folder, tmp_path):
    last = "SELECT max(patient_id) FROM patient"
    south = changed(
        folder,
        tmp_path / "south",
        [
            "UPDATE goal SET start_date = NULL WHERE measure = 'judgement-agreement'",
            f"DELETE FROM goal WHERE measure = 'closure-accuracy' AND patient_id = ({last})",  # noqa: S608
            "UPDATE patient SET deceased = true WHERE patient_id = (SELECT min(patient_id) FROM patient)",
            "DELETE FROM measurement WHERE measure = 'reason-for-ending'",
            "DELETE FROM visit WHERE visit_type = 'discharge'",
        ],
    )
    west = tmp_path / "west"
    shutil.copytree(folder, west)
    asked = Question(by="site", sites=("north", "south"))
    both = counted(sources([folder, south, west]), asked)
    assert {group.stratum for group in both.days} == {"north", "south"}
    assert Group("judgement-agreement", "south") not in both.days  # nobody knows when these goals began
    ends = Counter()
    for ended in both.days[Group("closure-accuracy", "south")].values():
        ends.update(ended)
    assert ends.keys() <= {"attained", "waiting", "died"}
    assert ends["died"] <= 1
    assert sum(ends.values()) == PEOPLE - 1
    assert both.flow == {NOT_THESE_TABLES: PEOPLE, LEFT_OUT[4]: 1, IN_COHORT: 2 * PEOPLE - 1}


def test_what_can_not_be_counted_is_refused_by_name(folder, tmp_path):
    twin = tmp_path / "twin"
    shutil.copytree(folder, twin)
    with pytest.raises(InvalidInput, match=f"{PEOPLE} people stand in the tables more than once"):
        counted(sources([folder, twin]), Question())
    with pytest.raises(InvalidInput, match=r"no patient\.parquet or patient\.csv.*called 'north'"):
        sources([tmp_path, folder, folder])
    with pytest.raises(InvalidInput, match=r"there are: twin \(limited-data-set\)"):
        counted(sources([twin]), Question(policies=("safe-harbor",)))
    (twin / "goal.csv").unlink()
    with pytest.raises(InvalidInput, match="twin lacks the tables goal"):
        sources([twin])
    (twin / "goal.csv").write_text("goal_id,patient_id\n1,2\n")
    with pytest.raises(InvalidInput, match="the table 'goal' lacks the columns condition_id"):
        counted(sources([twin]), Question())
    lines = (folder / "goal.csv").read_text().splitlines()
    day_ = lines[1].split(",")[lines[0].split(",").index("start_date")]
    (twin / "goal.csv").write_text("\n".join([lines[0], lines[1].replace(day_, "soon", 1)]))
    with pytest.raises(InvalidInput, match="can't be read as research tables"):
        counted(sources([twin]), Question())


def test_the_manifest_says_whether_people_are_invented(folder, tmp_path):
    assert invented(sources([folder])) == "all"
    other = tmp_path / "other"
    shutil.copytree(folder, other)
    (other / "manifest.json").write_text('{"people": 5, "testPeople": 2, "policy": "safe-harbor 1"}')
    assert invented(sources([folder, other])) == "some"
    (other / "manifest.json").unlink()
    assert invented(sources([other])) == ""
