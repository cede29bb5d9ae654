"""Units that get hot, and thermometers that cannot be believed."""

from __future__ import annotations

from canscope.judge.causes.pattern import Row, failed, unproven

TOO_WARM = (
    (
        "the {unit} unit draws current without turning it into motion: sensor offset, "
        "phase order, a binding brake",
        "compare its current and torque with those of the other unit at the same speed",
    ),
    (
        "nothing carries its heat away: no coolant, no oil, a dry winding",
        "shorten the bursts, lengthen the pauses, and repeat from cold",
    ),
)

ROWS = (
    Row(
        when=(failed("cold-soak", code="warmed"),),
        causes=(
            (
                "current flows through a unit that stands: its inverter is enabled, holds torque "
                "or is shorted",
                "open the contactors, let it cool; then read enable, torque and current of that "
                "unit at that time in the recording",
            ),
            (
                "something else warms it, such as a heater, or the sensor is another part's",
                "compare it with an infrared thermometer",
            ),
        ),
        explains=("temperature-*",),
    ),
    *(
        Row(
            when=(failed("cold-soak", code="as-fahrenheit"), *more),
            causes=(
                (
                    "a temperature is in degF and its definition says degC: it reads what the "
                    "cold vehicle has, in degF",
                    "look up the unit of each temperature in the description of its node; compare "
                    "it with a contact thermometer on the cold housing",
                ),
                (
                    "the unit was still hot from an earlier run",
                    "let it stand until all its sensors agree, then repeat",
                ),
            ),
            explains=("temperature-*",),
        )
        for more in ((failed("temperature-*"),), ())
    ),
    Row(
        when=(failed("temperature-*", "{unit} *"), failed("dry-exposure", "{unit}")),
        causes=(
            (
                "the {unit} unit turned too long while there is nothing to carry the heat away",
                "let it cool, keep to the agreed seconds, and compare both units with an infrared "
                "thermometer",
            ),
            (
                "the {unit} unit works against something: a binding brake, a wrong sensor offset",
                "turn the {unit} wheels by hand with all power off",
            ),
        ),
        explains=("temperature-*|{unit} *", "dry-exposure"),
    ),
    Row(
        when=(
            failed("temperature-rate", "{unit} *"),
            unproven("sensor-alive", "{unit} *", "jumped"),
        ),
        unless=(failed("temperature-ceiling", "{unit} *"), failed("temperature-rise", "{unit} *")),
        causes=(
            (
                "a temperature sensor of the {unit} unit, its plug or its wire has a bad contact: "
                "it moved as nothing that has mass can",
                "move its plug and wire by hand with all power off while recording, and compare it "
                "with a contact thermometer",
            ),
            *TOO_WARM,
        ),
        explains=("temperature-*|{unit} *",),
    ),
    Row(
        when=(failed("cold-soak"), failed("temperature-*", "{unit} *")),
        causes=(
            (
                "the {unit} unit was still hot from an earlier run",
                "let it stand until all its sensors agree, then repeat",
            ),
            (
                "its sensor reads too much, or its definition has another unit (degF for degC),"
                " factor or offset",
                "compare with a contact thermometer on the housing of the cold unit",
            ),
        ),
        explains=("temperature-*|{unit} *",),
    ),
    Row(
        when=(failed("temperature-*", "{unit} *"),),
        causes=TOO_WARM,
        explains=("temperature-*|{unit} *",),
    ),
    Row(
        when=(failed("cold-soak"),),
        causes=(
            (
                "one temperature sensor is off, or its definition has another factor or offset",
                "compare each with a contact thermometer on the cold housing",
            ),
            (
                "a part was still warm from before",
                "let the vehicle stand until all sensors agree, then repeat",
            ),
        ),
    ),
    Row(
        when=(unproven("sensor-alive", code="at-end-of-range"),),
        causes=(
            (
                "the temperature sensor is unplugged, broken or shorted",
                "measure its resistance at the unit's plug, cold",
            ),
        ),
    ),
    *(
        Row(
            when=(unproven("sensor-alive", code=code),),
            causes=(
                (
                    "the temperature sensor or its channel is stuck at one value",
                    "warm the sensor by hand or compare it with a contact thermometer after a "
                    "burst",
                ),
            ),
        )
        for code in ("never-changed", "never-warmed", "against-neighbours")
    ),
    Row(
        when=(unproven("coolant-flow", code="never-at-rest"),),
        causes=(
            (
                "the coolant flow reading is stuck, or reads a flow while the pump stands",
                "switch the pump off and on while recording, and watch the reading",
            ),
        ),
    ),
)
