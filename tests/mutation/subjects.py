"""What is mutated: modules by subject, the subject's share of the sample, and the tests that should find a fault."""

from __future__ import annotations

from dataclasses import dataclass

PLAN = "tests/reports/test_plan.py"
GEAR = "tests/studio/test_gear.py"
REPORT = "tests/metering/test_meter_report.py"


@dataclass(frozen=True)
class Subject:
    """A `share` of 300 faults for a group of modules.

    `near`: each module and the tests closest to it, quick and tried first. `wide`: tried where those find nothing.
    """

    share: int
    near: dict[str, tuple[str, ...]]
    wide: tuple[str, ...]


SUBJECTS = {
    "units": Subject(
        50,
        {"sim/quantities/units.py": ("tests/quantities/test_units.py", "tests/test_doctests.py", "-k", "units")},
        ("tests/quantities", "tests/scene", "tests/web", "tests/room/test_edits.py"),
    ),
    "photometry": Subject(
        25,
        {
            "sim/quantities/photometry.py": (
                "tests/quantities/test_photometry.py", "tests/test_doctests.py", "-k", "photometry",
            ),
        },
        ("tests/metering", PLAN, GEAR, "tests/scene"),
    ),
    "mix": Subject(
        20,
        {"sim/light/mix.py": ("tests/light/test_mix.py", "tests/metering/test_health.py")},
        ("tests/metering", "tests/advice/test_balance.py", "tests/advice/checks", "tests/reports/test_sheets.py"),
    ),
    "metering": Subject(
        60,
        {
            "sim/metering/points.py": ("tests/metering/test_health.py", REPORT),
            "sim/metering/report_points.py": (REPORT,),
            "sim/metering/report.py": (REPORT,),
            "sim/metering/health.py": ("tests/metering/test_health.py", "tests/test_doctests.py", "-k", "health"),
            "sim/metering/calibrate.py": ("tests/metering/test_calibrate.py",),
        },
        ("tests/metering", "tests/reports/test_report_files.py", "tests/advice/test_balance.py", PLAN),
    ),
    "part correction": Subject(
        20,
        {
            "sim/render/transport/part_correction.py": (
                "tests/render/test_part_correction.py", "tests/physics/test_gathering.py",
            ),
        },
        ("tests/physics/test_unbiased.py", "tests/reports/test_report_files.py"),
    ),
    "keys and ids": Subject(
        45,
        {
            "sim/render/fingerprint.py": ("tests/render/test_fingerprint.py", "tests/sweep/test_sweep_identity.py"),
            "sim/sweep/variations.py": ("tests/sweep/test_sweep_identity.py", "tests/sweep/test_sweep_study.py"),
            "sim/light/readings.py": ("tests/test_doctests.py", REPORT, "-k", "readings or meter_report"),
        },
        (
            "tests/render", "tests/sweep/test_sweep_study.py", "tests/sweep/test_sweep_light.py",
            "tests/room/test_view.py", "tests/test_session.py",
        ),
    ),
    "journal": Subject(
        35,
        {"sim/room/document/journal.py": ("tests/room/test_journal.py", "-k", "not killed")},
        ("tests/room/test_document.py", "tests/room/test_damage.py", "tests/room/test_edits.py"),
    ),
    "studio kit": Subject(
        30,
        {
            "sim/studio/gear/body.py": (GEAR,),
            "sim/studio/gear/direct.py": (GEAR,),
            "sim/studio/gear/emitter.py": (GEAR,),
            "sim/studio/gear/ies.py": ("tests/studio/test_ies.py",),
            "sim/studio/gear/modifiers.py": (GEAR,),
            "sim/studio/gear/photometric.py": ("tests/studio/test_ies.py",),
            "sim/studio/gear/profiles.py": ("tests/studio/test_profiles.py", GEAR),
            "sim/studio/gear/rig.py": (GEAR,),
        },
        ("tests/studio", "tests/render/test_stage.py", "tests/physics/test_closed_forms.py"),
    ),
    "crew's kit list": Subject(
        15,
        {"sim/reports/plan/kit.py": ("tests/reports/test_kit_list.py",)},
        (PLAN, "tests/reports/test_report_files.py"),
    ),
}  # fmt: skip
