"""Writes of master data and lots. Every function takes a `Writer`, checks what it is given, and says in words what is wrong.

UsageError: empty names, crossed limits, unknown words, moments that are none, before anything is written. UnknownRecord: an id
that names nothing. Refused: a rule of the records says no. Functions that add something return its id.
"""

from __future__ import annotations

from qualrec.records.registry.accounts import (
    count_failure,
    forget_failures,
    keep_accounts,
    set_idle_lock,
    set_secrets,
    withdraw_authorisation,
)
from qualrec.records.registry.characteristics import add_characteristic, revise_characteristic
from qualrec.records.registry.checklist import add_step
from qualrec.records.registry.control_plan import (
    add_control_plan,
    approve_control_plan,
    change_control_plan,
)
from qualrec.records.registry.gauge_studies import (
    add_gauge_study,
    enter_run,
    keep_analysis,
    withdraw_study,
)
from qualrec.records.registry.keeping import add_containment, add_retention, close_containment
from qualrec.records.registry.lots import (
    add_lot,
    add_segment,
    end_lot,
    owe_test,
    set_lot_state,
    spread_samples,
)
from qualrec.records.registry.outcome import add_concession, add_disposition, add_shipment
from qualrec.records.registry.parts import (
    add_cavity,
    add_component,
    add_customer,
    add_delivery,
    add_material,
    add_moulding_lot,
    add_part,
    add_part_revision,
    add_stream,
    add_tool,
    set_delivery_state,
    set_moulding_lot_state,
)
from qualrec.records.registry.plants import (
    add_authorisation,
    add_calendar,
    add_person,
    add_plant,
    add_role,
    add_signature,
    remove_role,
    set_person_state,
)
from qualrec.records.registry.problems import (
    add_evidence,
    add_problem,
    close_problem,
    link_problem,
    write_step,
)
from qualrec.records.registry.recipes import (
    add_recipe,
    add_recipe_revision,
    add_temporary_change,
    approve_recipe_revision,
    end_temporary_change,
    withdraw_recipe_revision,
)
from qualrec.records.registry.stations import (
    add_calibration,
    add_clamp_tool,
    add_event,
    add_gauge,
    add_gauge_check,
    add_station,
    get_or_add_condition,
    set_gauge_state,
)
from qualrec.records.registry.submissions import (
    add_comparison,
    add_notice,
    add_submission,
    close_notice_step,
    revise_customer,
    set_element,
    set_warrant,
    store_made,
    store_signed,
)

__all__ = [
    "add_authorisation",
    "add_calendar",
    "add_calibration",
    "add_cavity",
    "add_characteristic",
    "add_clamp_tool",
    "add_comparison",
    "add_component",
    "add_concession",
    "add_containment",
    "add_control_plan",
    "add_customer",
    "add_delivery",
    "add_disposition",
    "add_event",
    "add_evidence",
    "add_gauge",
    "add_gauge_check",
    "add_gauge_study",
    "add_lot",
    "add_material",
    "add_moulding_lot",
    "add_notice",
    "add_part",
    "add_part_revision",
    "add_person",
    "add_plant",
    "add_problem",
    "add_recipe",
    "add_recipe_revision",
    "add_retention",
    "add_role",
    "add_segment",
    "add_shipment",
    "add_signature",
    "add_station",
    "add_step",
    "add_stream",
    "add_submission",
    "add_temporary_change",
    "add_tool",
    "approve_control_plan",
    "approve_recipe_revision",
    "change_control_plan",
    "close_containment",
    "close_notice_step",
    "close_problem",
    "count_failure",
    "end_lot",
    "end_temporary_change",
    "enter_run",
    "forget_failures",
    "get_or_add_condition",
    "keep_accounts",
    "keep_analysis",
    "link_problem",
    "owe_test",
    "remove_role",
    "revise_characteristic",
    "revise_customer",
    "set_delivery_state",
    "set_element",
    "set_gauge_state",
    "set_idle_lock",
    "set_lot_state",
    "set_moulding_lot_state",
    "set_person_state",
    "set_secrets",
    "set_warrant",
    "spread_samples",
    "store_made",
    "store_signed",
    "withdraw_authorisation",
    "withdraw_recipe_revision",
    "withdraw_study",
    "write_step",
]
