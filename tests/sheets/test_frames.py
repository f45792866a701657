"""A rig day from a table."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import flightproc as fp

pytestmark = pytest.mark.synthetic

RIG = Path(__file__).parents[2] / "sample_logs" / "school-wing-28" / "rig.toml"


def test_a_rig_day_is_the_same_from_a_table_as_from_its_sheet() -> None:
    sheet = fp.load_rig(RIG)
    fields = sheet.model_dump(exclude_unset=True)
    readings = pd.DataFrame(fields.pop("readings"))
    assert readings.isna().any(axis=None)  # no thrust with the engine stopped
    name = fields.pop("name")
    assert fp.rig_from_frame(readings, name=name, **fields) == sheet
    again = fp.rig_from_frame(readings.convert_dtypes(), name=name, **fields)  # pandas' own missing values
    np.testing.assert_array_equal(
        fp.reduce_rig(again).frame()["torque"], fp.reduce_rig(sheet).frame()["torque"]
    )


def test_faults_of_a_table_are_told_together() -> None:
    readings = pd.DataFrame({"rpm": [0.0, 5000.0], "left_kg": [60.0, -1.0], "nonsense": [1.0, 2.0]})
    with pytest.raises(fp.SheetError) as caught:
        fp.rig_from_frame(readings, name="day 1", kind="two_point", air={"density_kg_m3": 1.2})
    told = {(fault.table, fault.field) for fault in caught.value.faults}
    assert ("", "spacing_m") in told and ("readings[1]", "nonsense") in told
    assert all(fault.file == "day 1" for fault in caught.value.faults)
