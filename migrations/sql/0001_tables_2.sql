-- Tables of revision 0001, second half.
-- Neutral form: the migration puts in INTEGER for BIGINT, DOUBLE, WITHOUT ROWID and PARTITION BY where a marker stands.

CREATE TABLE moulding_lot (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, number VARCHAR(60) NOT NULL,
  component_part_id BIGINT NOT NULL, tool_id BIGINT, moulded_us BIGINT NOT NULL, expires_us BIGINT,
  state VARCHAR(20) NOT NULL,
  CONSTRAINT pk_moulding_lot PRIMARY KEY (id),
  CONSTRAINT uq_moulding_lot_plant_id_number UNIQUE (plant_id, number),
  CONSTRAINT ck_moulding_lot_state_known CHECK (state IN ('accepted', 'on hold', 'refused')),
  CONSTRAINT fk_moulding_lot_id FOREIGN KEY(id) REFERENCES subject (id),
  CONSTRAINT fk_moulding_lot_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_moulding_lot_component_part_id FOREIGN KEY(component_part_id) REFERENCES component_part (id),
  CONSTRAINT fk_moulding_lot_tool_id FOREIGN KEY(tool_id) REFERENCES tool (id)
);
CREATE INDEX ix_moulding_lot_component_part_id ON moulding_lot (component_part_id);
CREATE INDEX ix_moulding_lot_moulded_us ON moulding_lot (moulded_us);

CREATE TABLE part_revision (
  id BIGINT NOT NULL, part_id BIGINT NOT NULL, revision VARCHAR(20) NOT NULL,
  drawing VARCHAR(80) NOT NULL, valid_from_us BIGINT NOT NULL, change TEXT NOT NULL,
  CONSTRAINT pk_part_revision PRIMARY KEY (id),
  CONSTRAINT uq_part_revision_part_id_revision UNIQUE (part_id, revision),
  CONSTRAINT fk_part_revision_part_id FOREIGN KEY(part_id) REFERENCES part (id)
);

CREATE TABLE problem_report (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, number VARCHAR(40) NOT NULL, title VARCHAR(200) NOT NULL,
  part_id BIGINT, opened_us BIGINT NOT NULL, due_us BIGINT, state VARCHAR(10) NOT NULL,
  steps TEXT NOT NULL, links TEXT NOT NULL,
  CONSTRAINT pk_problem_report PRIMARY KEY (id),
  CONSTRAINT uq_problem_report_plant_id_number UNIQUE (plant_id, number),
  CONSTRAINT ck_problem_report_state_known CHECK (state IN ('open', 'closed')),
  CONSTRAINT fk_problem_report_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_problem_report_part_id FOREIGN KEY(part_id) REFERENCES part (id)
);

CREATE TABLE recipe (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, part_id BIGINT NOT NULL, code VARCHAR(60) NOT NULL,
  process VARCHAR(30) NOT NULL,
  CONSTRAINT pk_recipe PRIMARY KEY (id),
  CONSTRAINT uq_recipe_plant_id_code UNIQUE (plant_id, code),
  CONSTRAINT ck_recipe_process_known CHECK (process IN ('contour', 'simultaneous', 'quasi-simultaneous', 'mask')),
  CONSTRAINT fk_recipe_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_recipe_part_id FOREIGN KEY(part_id) REFERENCES part (id)
);
CREATE INDEX ix_recipe_part_id ON recipe (part_id);

CREATE TABLE retention (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, part_id BIGINT, customer_id BIGINT,
  years INTEGER NOT NULL, rule TEXT NOT NULL, source TEXT NOT NULL,
  CONSTRAINT pk_retention PRIMARY KEY (id),
  CONSTRAINT fk_retention_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_retention_part_id FOREIGN KEY(part_id) REFERENCES part (id),
  CONSTRAINT fk_retention_customer_id FOREIGN KEY(customer_id) REFERENCES customer (id)
);

CREATE TABLE submission (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, number VARCHAR(40) NOT NULL, part_id BIGINT NOT NULL,
  customer_id BIGINT, level VARCHAR(20) NOT NULL, state VARCHAR(20) NOT NULL, elements TEXT NOT NULL,
  manifest TEXT NOT NULL, file_name VARCHAR(260) NOT NULL, file_digest VARCHAR(64) NOT NULL,
  made_us BIGINT NOT NULL, person_id BIGINT, signature_id BIGINT,
  CONSTRAINT pk_submission PRIMARY KEY (id),
  CONSTRAINT uq_submission_plant_id_number UNIQUE (plant_id, number),
  CONSTRAINT ck_submission_state_known CHECK (state IN ('draft', 'signed', 'sent', 'answered')),
  CONSTRAINT fk_submission_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_submission_part_id FOREIGN KEY(part_id) REFERENCES part (id),
  CONSTRAINT fk_submission_customer_id FOREIGN KEY(customer_id) REFERENCES customer (id),
  CONSTRAINT fk_submission_person_id FOREIGN KEY(person_id) REFERENCES person (id),
  CONSTRAINT fk_submission_signature_id FOREIGN KEY(signature_id) REFERENCES signature (id)
);

CREATE TABLE characteristic_revision (
  id BIGINT NOT NULL, characteristic_id BIGINT NOT NULL, revision INTEGER NOT NULL,
  valid_from_us BIGINT NOT NULL, unit VARCHAR(20) NOT NULL, definition TEXT NOT NULL,
  method TEXT NOT NULL, lsl DOUBLE PRECISION, usl DOUBLE PRECISION, target DOUBLE PRECISION,
  plausible_low DOUBLE PRECISION, plausible_high DOUBLE PRECISION, decimals INTEGER NOT NULL,
  special_class VARCHAR(20) NOT NULL, symbol VARCHAR(10) NOT NULL, gauge_family VARCHAR(40) NOT NULL,
  destructive BOOLEAN NOT NULL, strength BOOLEAN NOT NULL, samples INTEGER NOT NULL,
  sample_positions TEXT NOT NULL, mandatory BOOLEAN NOT NULL, subgroup_size INTEGER NOT NULL,
  subgroup_every INTEGER NOT NULL, chart VARCHAR(20) NOT NULL, mean_width DOUBLE PRECISION NOT NULL,
  ewma_lambda DOUBLE PRECISION NOT NULL, ewma_width DOUBLE PRECISION NOT NULL, rules TEXT NOT NULL,
  good_side INTEGER NOT NULL, index_requirement DOUBLE PRECISION, accepted_modes TEXT NOT NULL,
  interfacial_limit_pct DOUBLE PRECISION, separating TEXT NOT NULL, control_method TEXT NOT NULL,
  reaction_plan TEXT NOT NULL, change TEXT NOT NULL, author_id BIGINT,
  CONSTRAINT pk_characteristic_revision PRIMARY KEY (id),
  CONSTRAINT uq_characteristic_revision_characteristic_id_revision UNIQUE (characteristic_id, revision),
  CONSTRAINT ck_characteristic_revision_special_class_known CHECK (special_class IN ('standard', 'significant', 'critical')),
  CONSTRAINT ck_characteristic_revision_chart_known CHECK (chart IN ('lot means', 'p', 'u', 'zero count', 'none')),
  CONSTRAINT ck_characteristic_revision_lsl_le_usl CHECK (lsl IS NULL OR usl IS NULL OR lsl <= usl),
  CONSTRAINT ck_characteristic_revision_plausible_low_le_plausible_high CHECK (plausible_low IS NULL OR plausible_high IS NULL OR plausible_low <= plausible_high),
  CONSTRAINT ck_characteristic_revision_mean_width_positive CHECK (mean_width IS NULL OR mean_width > 0),
  CONSTRAINT ck_characteristic_revision_ewma_width_positive CHECK (ewma_width IS NULL OR ewma_width > 0),
  CONSTRAINT ck_characteristic_revision_ewma_lambda_range CHECK (ewma_lambda > 0 AND ewma_lambda <= 1),
  CONSTRAINT ck_characteristic_revision_samples_not_negative CHECK (samples >= 0),
  CONSTRAINT fk_characteristic_revision_characteristic_id FOREIGN KEY(characteristic_id) REFERENCES characteristic (id),
  CONSTRAINT fk_characteristic_revision_author_id FOREIGN KEY(author_id) REFERENCES person (id)
);
CREATE INDEX ix_characteristic_revision_characteristic_id ON characteristic_revision (characteristic_id);

CREATE TABLE control_plan_row (
  control_plan_id BIGINT NOT NULL, position INTEGER NOT NULL, process_number VARCHAR(20) NOT NULL,
  process_step VARCHAR(120) NOT NULL, machine VARCHAR(120) NOT NULL, characteristic_id BIGINT,
  process_characteristic VARCHAR(120) NOT NULL, technique TEXT NOT NULL,
  sample_size VARCHAR(60) NOT NULL, frequency VARCHAR(80) NOT NULL, control_method TEXT NOT NULL,
  reaction_plan TEXT NOT NULL, owner VARCHAR(80) NOT NULL,
  CONSTRAINT pk_control_plan_row PRIMARY KEY (control_plan_id, position),
  CONSTRAINT fk_control_plan_row_control_plan_id FOREIGN KEY(control_plan_id) REFERENCES control_plan (id),
  CONSTRAINT fk_control_plan_row_characteristic_id FOREIGN KEY(characteristic_id) REFERENCES characteristic (id)
);

CREATE TABLE lot (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, number VARCHAR(60) NOT NULL, part_id BIGINT NOT NULL,
  part_revision_id BIGINT, quantity INTEGER, started_us BIGINT NOT NULL, ended_us BIGINT,
  state VARCHAR(30) NOT NULL, parent_lot_id BIGINT, version INTEGER NOT NULL, remark TEXT NOT NULL,
  CONSTRAINT pk_lot PRIMARY KEY (id),
  CONSTRAINT uq_lot_plant_id_number UNIQUE (plant_id, number),
  CONSTRAINT ck_lot_number_filled CHECK (length(number) > 0),
  CONSTRAINT ck_lot_state_known CHECK (state IN ('open', 'awaiting tests', 'under review', 'on hold', 'released', 'released under concession', 'scrapped', 'reworked', 'shipped', 'suspect, shipped')),
  CONSTRAINT ck_lot_quantity_positive CHECK (quantity IS NULL OR quantity > 0),
  CONSTRAINT fk_lot_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_lot_part_id FOREIGN KEY(part_id) REFERENCES part (id),
  CONSTRAINT fk_lot_part_revision_id FOREIGN KEY(part_revision_id) REFERENCES part_revision (id),
  CONSTRAINT fk_lot_parent_lot_id FOREIGN KEY(parent_lot_id) REFERENCES lot (id)
);
CREATE INDEX ix_lot_part_started ON lot (part_id, started_us);
CREATE INDEX ix_lot_state_started ON lot (state, started_us);

CREATE TABLE moulding_parent (
  moulding_lot_id BIGINT NOT NULL, delivery_id BIGINT NOT NULL, share_pct DOUBLE PRECISION,
  CONSTRAINT pk_moulding_parent PRIMARY KEY (moulding_lot_id, delivery_id),
  CONSTRAINT ck_moulding_parent_share_pct_range CHECK (share_pct IS NULL OR share_pct BETWEEN 0 AND 100),
  CONSTRAINT fk_moulding_parent_moulding_lot_id FOREIGN KEY(moulding_lot_id) REFERENCES moulding_lot (id),
  CONSTRAINT fk_moulding_parent_delivery_id FOREIGN KEY(delivery_id) REFERENCES delivery (id)
);

CREATE TABLE recipe_revision (
  id BIGINT NOT NULL, recipe_id BIGINT NOT NULL, revision INTEGER NOT NULL, state VARCHAR(20) NOT NULL,
  reason TEXT NOT NULL, author_id BIGINT, created_us BIGINT NOT NULL, approver_id BIGINT,
  approved_us BIGINT, valid_from_us BIGINT, ended_us BIGINT, signature_id BIGINT,
  CONSTRAINT pk_recipe_revision PRIMARY KEY (id),
  CONSTRAINT uq_recipe_revision_recipe_id_revision UNIQUE (recipe_id, revision),
  CONSTRAINT ck_recipe_revision_state_known CHECK (state IN ('draft', 'approved', 'superseded', 'withdrawn')),
  CONSTRAINT fk_recipe_revision_recipe_id FOREIGN KEY(recipe_id) REFERENCES recipe (id),
  CONSTRAINT fk_recipe_revision_author_id FOREIGN KEY(author_id) REFERENCES person (id),
  CONSTRAINT fk_recipe_revision_approver_id FOREIGN KEY(approver_id) REFERENCES person (id),
  CONSTRAINT fk_recipe_revision_signature_id FOREIGN KEY(signature_id) REFERENCES signature (id)
);

CREATE TABLE stream (
  id BIGINT NOT NULL, part_id BIGINT, upper_cavity_id BIGINT, lower_cavity_id BIGINT,
  nest VARCHAR(20) NOT NULL, label VARCHAR(60) NOT NULL,
  CONSTRAINT pk_stream PRIMARY KEY (id),
  CONSTRAINT uq_stream_part_id_label UNIQUE (part_id, label),
  CONSTRAINT fk_stream_part_id FOREIGN KEY(part_id) REFERENCES part (id),
  CONSTRAINT fk_stream_upper_cavity_id FOREIGN KEY(upper_cavity_id) REFERENCES cavity (id),
  CONSTRAINT fk_stream_lower_cavity_id FOREIGN KEY(lower_cavity_id) REFERENCES cavity (id)
);

CREATE TABLE study (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, number VARCHAR(40) NOT NULL, kind VARCHAR(30) NOT NULL,
  title VARCHAR(200) NOT NULL, state VARCHAR(20) NOT NULL, part_id BIGINT, characteristic_id BIGINT,
  gauge_id BIGINT, plan TEXT NOT NULL, analysis TEXT NOT NULL, method TEXT NOT NULL,
  program_version VARCHAR(20) NOT NULL, verdict VARCHAR(40) NOT NULL, done_us BIGINT, person_id BIGINT,
  CONSTRAINT pk_study PRIMARY KEY (id),
  CONSTRAINT uq_study_plant_id_number UNIQUE (plant_id, number),
  CONSTRAINT ck_study_kind_known CHECK (kind IN ('gauge crossed', 'gauge nested', 'bias', 'linearity', 'stability', 'agreement', 'window', 'comparison', 'weld factor')),
  CONSTRAINT ck_study_state_known CHECK (state IN ('planned', 'running', 'analysed', 'withdrawn')),
  CONSTRAINT fk_study_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_study_part_id FOREIGN KEY(part_id) REFERENCES part (id),
  CONSTRAINT fk_study_characteristic_id FOREIGN KEY(characteristic_id) REFERENCES characteristic (id),
  CONSTRAINT fk_study_gauge_id FOREIGN KEY(gauge_id) REFERENCES gauge (id),
  CONSTRAINT fk_study_person_id FOREIGN KEY(person_id) REFERENCES person (id)
);

CREATE TABLE concession (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, part_id BIGINT NOT NULL, lot_id BIGINT,
  reference VARCHAR(80) NOT NULL, quantity INTEGER, until_us BIGINT, reason TEXT NOT NULL,
  signature_id BIGINT,
  CONSTRAINT pk_concession PRIMARY KEY (id),
  CONSTRAINT ck_concession_has_an_end CHECK (quantity IS NOT NULL OR until_us IS NOT NULL),
  CONSTRAINT fk_concession_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_concession_part_id FOREIGN KEY(part_id) REFERENCES part (id),
  CONSTRAINT fk_concession_lot_id FOREIGN KEY(lot_id) REFERENCES lot (id),
  CONSTRAINT fk_concession_signature_id FOREIGN KEY(signature_id) REFERENCES signature (id)
);

CREATE TABLE event (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, kind VARCHAR(40) NOT NULL, station_id BIGINT,
  lot_id BIGINT, clamp_tool_id BIGINT, at_us BIGINT NOT NULL, entered_us BIGINT NOT NULL,
  person_id BIGINT, remark TEXT NOT NULL,
  CONSTRAINT pk_event PRIMARY KEY (id),
  CONSTRAINT fk_event_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_event_station_id FOREIGN KEY(station_id) REFERENCES station (id),
  CONSTRAINT fk_event_lot_id FOREIGN KEY(lot_id) REFERENCES lot (id),
  CONSTRAINT fk_event_clamp_tool_id FOREIGN KEY(clamp_tool_id) REFERENCES clamp_tool (id),
  CONSTRAINT fk_event_person_id FOREIGN KEY(person_id) REFERENCES person (id)
);
CREATE INDEX ix_event_at_us ON event (at_us);
CREATE INDEX ix_event_station_id ON event (station_id);

CREATE TABLE judgement (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, lot_id BIGINT NOT NULL, characteristic_id BIGINT,
  characteristic_revision_id BIGINT, verdict VARCHAR(20) NOT NULL, figures TEXT NOT NULL,
  rules_version VARCHAR(20) NOT NULL, program_version VARCHAR(20) NOT NULL, at_us BIGINT NOT NULL,
  rejudged TEXT NOT NULL,
  CONSTRAINT pk_judgement PRIMARY KEY (id),
  CONSTRAINT ck_judgement_verdict_known CHECK (verdict IN ('pass', 'fail', 'incomplete', 'unknown')),
  CONSTRAINT fk_judgement_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_judgement_lot_id FOREIGN KEY(lot_id) REFERENCES lot (id),
  CONSTRAINT fk_judgement_characteristic_id FOREIGN KEY(characteristic_id) REFERENCES characteristic (id),
  CONSTRAINT fk_judgement_characteristic_revision_id FOREIGN KEY(characteristic_revision_id) REFERENCES characteristic_revision (id)
);
CREATE INDEX ix_judgement_lot ON judgement (lot_id, characteristic_id);

CREATE TABLE limits (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, characteristic_id BIGINT NOT NULL,
  stream_id BIGINT NOT NULL, condition_id BIGINT NOT NULL, recipe_revision_id BIGINT, station_id BIGINT,
  version INTEGER NOT NULL, state VARCHAR(20) NOT NULL, chart VARCHAR(20) NOT NULL,
  centre DOUBLE PRECISION NOT NULL, sigma DOUBLE PRECISION NOT NULL, lower DOUBLE PRECISION,
  upper DOUBLE PRECISION, ewma_lambda DOUBLE PRECISION, ewma_width DOUBLE PRECISION,
  spread_centre DOUBLE PRECISION, spread_sigma DOUBLE PRECISION, estimator VARCHAR(80) NOT NULL,
  from_us BIGINT NOT NULL, made_us BIGINT NOT NULL, frozen_us BIGINT, person_id BIGINT,
  signature_id BIGINT, reason TEXT NOT NULL,
  CONSTRAINT pk_limits PRIMARY KEY (id),
  CONSTRAINT uq_limits_characteristic_id_stream_id_condition_id_version UNIQUE (characteristic_id, stream_id, condition_id, version),
  CONSTRAINT ck_limits_state_known CHECK (state IN ('trial', 'frozen', 'superseded')),
  CONSTRAINT fk_limits_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_limits_characteristic_id FOREIGN KEY(characteristic_id) REFERENCES characteristic (id),
  CONSTRAINT fk_limits_stream_id FOREIGN KEY(stream_id) REFERENCES stream (id),
  CONSTRAINT fk_limits_condition_id FOREIGN KEY(condition_id) REFERENCES condition (id),
  CONSTRAINT fk_limits_recipe_revision_id FOREIGN KEY(recipe_revision_id) REFERENCES recipe_revision (id),
  CONSTRAINT fk_limits_station_id FOREIGN KEY(station_id) REFERENCES station (id),
  CONSTRAINT fk_limits_person_id FOREIGN KEY(person_id) REFERENCES person (id),
  CONSTRAINT fk_limits_signature_id FOREIGN KEY(signature_id) REFERENCES signature (id)
);

CREATE TABLE lot_segment (
  id BIGINT NOT NULL, lot_id BIGINT NOT NULL, position INTEGER NOT NULL, from_us BIGINT NOT NULL,
  recipe_revision_id BIGINT, station_id BIGINT, operator_id BIGINT, upper_moulding_lot_id BIGINT,
  lower_moulding_lot_id BIGINT, clamp_tool_id BIGINT,
  CONSTRAINT pk_lot_segment PRIMARY KEY (id),
  CONSTRAINT uq_lot_segment_lot_id_position UNIQUE (lot_id, position),
  CONSTRAINT fk_lot_segment_id FOREIGN KEY(id) REFERENCES subject (id),
  CONSTRAINT fk_lot_segment_lot_id FOREIGN KEY(lot_id) REFERENCES lot (id),
  CONSTRAINT fk_lot_segment_recipe_revision_id FOREIGN KEY(recipe_revision_id) REFERENCES recipe_revision (id),
  CONSTRAINT fk_lot_segment_station_id FOREIGN KEY(station_id) REFERENCES station (id),
  CONSTRAINT fk_lot_segment_operator_id FOREIGN KEY(operator_id) REFERENCES person (id),
  CONSTRAINT fk_lot_segment_upper_moulding_lot_id FOREIGN KEY(upper_moulding_lot_id) REFERENCES moulding_lot (id),
  CONSTRAINT fk_lot_segment_lower_moulding_lot_id FOREIGN KEY(lower_moulding_lot_id) REFERENCES moulding_lot (id),
  CONSTRAINT fk_lot_segment_clamp_tool_id FOREIGN KEY(clamp_tool_id) REFERENCES clamp_tool (id)
);
CREATE INDEX ix_lot_segment_lower_moulding_lot_id ON lot_segment (lower_moulding_lot_id);
CREATE INDEX ix_lot_segment_recipe_revision_id ON lot_segment (recipe_revision_id);
CREATE INDEX ix_lot_segment_station_id ON lot_segment (station_id);
CREATE INDEX ix_lot_segment_upper_moulding_lot_id ON lot_segment (upper_moulding_lot_id);

CREATE TABLE qualified_window (
  recipe_revision_id BIGINT NOT NULL, quantity VARCHAR(40) NOT NULL, low DOUBLE PRECISION,
  high DOUBLE PRECISION, unit VARCHAR(20) NOT NULL, proof TEXT NOT NULL,
  CONSTRAINT pk_qualified_window PRIMARY KEY (recipe_revision_id, quantity),
  CONSTRAINT ck_qualified_window_low_le_high CHECK (low IS NULL OR high IS NULL OR low <= high),
  CONSTRAINT ck_qualified_window_quantity_known CHECK (quantity IN ('transmission', 'joint energy', 'collapse', 'clamp force')),
  CONSTRAINT fk_qualified_window_recipe_revision_id FOREIGN KEY(recipe_revision_id) REFERENCES recipe_revision (id)
);

CREATE TABLE recipe_setting (
  recipe_revision_id BIGINT NOT NULL, name VARCHAR(40) NOT NULL, value DOUBLE PRECISION NOT NULL,
  unit VARCHAR(20) NOT NULL, low DOUBLE PRECISION, high DOUBLE PRECISION,
  CONSTRAINT pk_recipe_setting PRIMARY KEY (recipe_revision_id, name),
  CONSTRAINT ck_recipe_setting_low_le_high CHECK (low IS NULL OR high IS NULL OR low <= high),
  CONSTRAINT fk_recipe_setting_recipe_revision_id FOREIGN KEY(recipe_revision_id) REFERENCES recipe_revision (id)
);

CREATE TABLE study_run (
  id BIGINT NOT NULL, study_id BIGINT NOT NULL, position INTEGER NOT NULL, factors TEXT NOT NULL,
  value DOUBLE PRECISION, mode VARCHAR(20) NOT NULL, done_us BIGINT, person_id BIGINT,
  CONSTRAINT pk_study_run PRIMARY KEY (id),
  CONSTRAINT uq_study_run_study_id_position UNIQUE (study_id, position),
  CONSTRAINT fk_study_run_id FOREIGN KEY(id) REFERENCES subject (id),
  CONSTRAINT fk_study_run_study_id FOREIGN KEY(study_id) REFERENCES study (id),
  CONSTRAINT fk_study_run_person_id FOREIGN KEY(person_id) REFERENCES person (id)
);

CREATE TABLE temporary_change (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, part_id BIGINT NOT NULL, recipe_revision_id BIGINT,
  station_id BIGINT, what TEXT NOT NULL, extra_checks TEXT NOT NULL, from_us BIGINT NOT NULL,
  until_us BIGINT NOT NULL, state VARCHAR(20) NOT NULL, person_id BIGINT, signature_id BIGINT,
  CONSTRAINT pk_temporary_change PRIMARY KEY (id),
  CONSTRAINT ck_temporary_change_state_known CHECK (state IN ('open', 'ended')),
  CONSTRAINT fk_temporary_change_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_temporary_change_part_id FOREIGN KEY(part_id) REFERENCES part (id),
  CONSTRAINT fk_temporary_change_recipe_revision_id FOREIGN KEY(recipe_revision_id) REFERENCES recipe_revision (id),
  CONSTRAINT fk_temporary_change_station_id FOREIGN KEY(station_id) REFERENCES station (id),
  CONSTRAINT fk_temporary_change_person_id FOREIGN KEY(person_id) REFERENCES person (id),
  CONSTRAINT fk_temporary_change_signature_id FOREIGN KEY(signature_id) REFERENCES signature (id)
);

CREATE TABLE test_owed (
  id BIGINT NOT NULL, lot_id BIGINT NOT NULL, characteristic_id BIGINT NOT NULL,
  position VARCHAR(30) NOT NULL, count INTEGER NOT NULL, due_us BIGINT, mandatory INTEGER NOT NULL,
  CONSTRAINT pk_test_owed PRIMARY KEY (id),
  CONSTRAINT uq_test_owed_lot_id_characteristic_id_position UNIQUE (lot_id, characteristic_id, position),
  CONSTRAINT ck_test_owed_count_positive CHECK (count > 0),
  CONSTRAINT fk_test_owed_lot_id FOREIGN KEY(lot_id) REFERENCES lot (id),
  CONSTRAINT fk_test_owed_characteristic_id FOREIGN KEY(characteristic_id) REFERENCES characteristic (id)
);

CREATE TABLE disposition (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, lot_id BIGINT NOT NULL, kind VARCHAR(30) NOT NULL,
  quantity INTEGER, at_us BIGINT NOT NULL, person_id BIGINT, reason TEXT NOT NULL, signature_id BIGINT,
  concession_id BIGINT,
  CONSTRAINT pk_disposition PRIMARY KEY (id),
  CONSTRAINT ck_disposition_kind_known CHECK (kind IN ('release', 'hold', 'sort', 'rework', 'scrap', 'use as is', 'return to supplier')),
  CONSTRAINT fk_disposition_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_disposition_lot_id FOREIGN KEY(lot_id) REFERENCES lot (id),
  CONSTRAINT fk_disposition_person_id FOREIGN KEY(person_id) REFERENCES person (id),
  CONSTRAINT fk_disposition_signature_id FOREIGN KEY(signature_id) REFERENCES signature (id),
  CONSTRAINT fk_disposition_concession_id FOREIGN KEY(concession_id) REFERENCES concession (id)
);
CREATE INDEX ix_disposition_lot_id ON disposition (lot_id);

CREATE TABLE flag (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, kind VARCHAR(60) NOT NULL, level VARCHAR(1) NOT NULL,
  scope VARCHAR(10) NOT NULL, state VARCHAR(20) NOT NULL, part_id BIGINT NOT NULL, lot_id BIGINT,
  moulding_lot_id BIGINT, characteristic_id BIGINT, stream_id BIGINT NOT NULL, limits_id BIGINT,
  rule TEXT NOT NULL, source TEXT NOT NULL, reaction_plan TEXT NOT NULL,
  rules_version VARCHAR(20) NOT NULL, program_version VARCHAR(20) NOT NULL, opened_us BIGINT NOT NULL,
  closed_us BIGINT,
  CONSTRAINT pk_flag PRIMARY KEY (id),
  CONSTRAINT ck_flag_level_known CHECK (level IN ('H', 'R', 'I')),
  CONSTRAINT ck_flag_scope_known CHECK (scope IN ('reading', 'lot', 'process')),
  CONSTRAINT ck_flag_state_known CHECK (state IN ('open', 'acknowledged', 'closed')),
  CONSTRAINT fk_flag_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_flag_part_id FOREIGN KEY(part_id) REFERENCES part (id),
  CONSTRAINT fk_flag_lot_id FOREIGN KEY(lot_id) REFERENCES lot (id),
  CONSTRAINT fk_flag_moulding_lot_id FOREIGN KEY(moulding_lot_id) REFERENCES moulding_lot (id),
  CONSTRAINT fk_flag_characteristic_id FOREIGN KEY(characteristic_id) REFERENCES characteristic (id),
  CONSTRAINT fk_flag_limits_id FOREIGN KEY(limits_id) REFERENCES limits (id)
);
CREATE INDEX ix_flag_lot ON flag (lot_id, state);
CREATE INDEX ix_flag_state ON flag (state, opened_us);

CREATE TABLE limits_lot (
  limits_id BIGINT NOT NULL, lot_id BIGINT NOT NULL, used BOOLEAN NOT NULL, reason TEXT NOT NULL,
  CONSTRAINT pk_limits_lot PRIMARY KEY (limits_id, lot_id),
  CONSTRAINT ck_limits_lot_left_out_has_reason CHECK (used OR length(reason) > 0),
  CONSTRAINT fk_limits_lot_limits_id FOREIGN KEY(limits_id) REFERENCES limits (id)
);

CREATE TABLE shipment (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, lot_id BIGINT NOT NULL, customer_id BIGINT,
  quantity INTEGER NOT NULL, at_us BIGINT NOT NULL, document VARCHAR(80) NOT NULL, concession_id BIGINT,
  person_id BIGINT,
  CONSTRAINT pk_shipment PRIMARY KEY (id),
  CONSTRAINT ck_shipment_quantity_positive CHECK (quantity IS NULL OR quantity > 0),
  CONSTRAINT fk_shipment_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_shipment_lot_id FOREIGN KEY(lot_id) REFERENCES lot (id),
  CONSTRAINT fk_shipment_customer_id FOREIGN KEY(customer_id) REFERENCES customer (id),
  CONSTRAINT fk_shipment_concession_id FOREIGN KEY(concession_id) REFERENCES concession (id),
  CONSTRAINT fk_shipment_person_id FOREIGN KEY(person_id) REFERENCES person (id)
);
CREATE INDEX ix_shipment_lot_id ON shipment (lot_id);

CREATE TABLE checklist (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, kind VARCHAR(30) NOT NULL, lot_id BIGINT, flag_id BIGINT,
  station_id BIGINT, position INTEGER NOT NULL, step TEXT NOT NULL, done_us BIGINT, person_id BIGINT,
  remark TEXT NOT NULL,
  CONSTRAINT pk_checklist PRIMARY KEY (id),
  CONSTRAINT ck_checklist_kind_known CHECK (kind IN ('first-off', 'reaction plan', 'hand-over', 'change notice')),
  CONSTRAINT fk_checklist_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_checklist_lot_id FOREIGN KEY(lot_id) REFERENCES lot (id),
  CONSTRAINT fk_checklist_flag_id FOREIGN KEY(flag_id) REFERENCES flag (id),
  CONSTRAINT fk_checklist_station_id FOREIGN KEY(station_id) REFERENCES station (id),
  CONSTRAINT fk_checklist_person_id FOREIGN KEY(person_id) REFERENCES person (id)
);
CREATE INDEX ix_checklist_lot_id ON checklist (lot_id);

CREATE TABLE containment (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, flag_id BIGINT, lot_id BIGINT,
  place VARCHAR(120) NOT NULL, quantity INTEGER, action TEXT NOT NULL, result TEXT NOT NULL,
  state VARCHAR(10) NOT NULL, at_us BIGINT NOT NULL, person_id BIGINT,
  CONSTRAINT pk_containment PRIMARY KEY (id),
  CONSTRAINT ck_containment_state_known CHECK (state IN ('open', 'done')),
  CONSTRAINT fk_containment_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_containment_flag_id FOREIGN KEY(flag_id) REFERENCES flag (id),
  CONSTRAINT fk_containment_lot_id FOREIGN KEY(lot_id) REFERENCES lot (id),
  CONSTRAINT fk_containment_person_id FOREIGN KEY(person_id) REFERENCES person (id)
);

CREATE TABLE flag_action (
  id BIGINT NOT NULL, flag_id BIGINT NOT NULL, kind VARCHAR(20) NOT NULL, what TEXT NOT NULL,
  at_us BIGINT NOT NULL, person_id BIGINT, signature_id BIGINT,
  CONSTRAINT pk_flag_action PRIMARY KEY (id),
  CONSTRAINT ck_flag_action_kind_known CHECK (kind IN ('acknowledged', 'action', 'note', 'closed', 'reopened')),
  CONSTRAINT fk_flag_action_flag_id FOREIGN KEY(flag_id) REFERENCES flag (id),
  CONSTRAINT fk_flag_action_person_id FOREIGN KEY(person_id) REFERENCES person (id),
  CONSTRAINT fk_flag_action_signature_id FOREIGN KEY(signature_id) REFERENCES signature (id)
);
CREATE INDEX ix_flag_action_flag_id ON flag_action (flag_id);

CREATE TABLE flag_finding (
  id BIGINT NOT NULL, flag_id BIGINT NOT NULL, what VARCHAR(160) NOT NULL, figures TEXT NOT NULL,
  sentence TEXT NOT NULL, at_us BIGINT NOT NULL,
  CONSTRAINT pk_flag_finding PRIMARY KEY (id),
  CONSTRAINT uq_flag_finding_flag_id_what UNIQUE (flag_id, what),
  CONSTRAINT fk_flag_finding_flag_id FOREIGN KEY(flag_id) REFERENCES flag (id)
);
