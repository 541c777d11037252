from ringscan.make.finding import merged


def test_dicts_are_merged_into_a_new_one():
    data = {"size": {"width_mm": 60.0, "layers": 40}, "reference": {"first_layer": 5}}
    before = {key: dict(value) for key, value in data.items()}
    new = merged(data, {"size": {"layers": 50}, "reference": None, "ramp": {"x": {"start": 20.0}}})
    assert new == {
        "size": {"width_mm": 60.0, "layers": 50},
        "reference": None,
        "ramp": {"x": {"start": 20.0}},
    }
    assert data == before
    assert merged({"reference": None}, {"reference": {"first_layer": 1}}) == {
        "reference": {"first_layer": 1}
    }
