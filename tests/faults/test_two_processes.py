"""Two services on one SQLite file, both writing: one order, nothing lost, also if one is killed."""


def test_both_write(serve, writers, tmp_path):
    with serve(tmp_path) as (_, one), serve(tmp_path) as (_, other):
        with writers.at_work(one, other):
            writers.wait_for(200)
        assert not writers.refused
        assert {name[:2] for name in writers.acknowledged} == {"w0", "w1"}
        for http in (one, other):
            writers.assert_kept(http)


def test_one_is_killed(serve, writers, tmp_path):
    """The other one goes on without a restart; who comes anew finds everything."""
    with serve(tmp_path) as (_, one):
        with serve(tmp_path) as (killed, other), writers.at_work(one, other):
            writers.wait_for(60)
            killed.kill()
            writers.wait_for(60)
        assert not writers.refused
        assert writers.unanswered
        with serve(tmp_path) as (_, anew):
            writers.assert_kept(anew)
            assert writers.once(anew, "anew")
        writers.assert_kept(one)
