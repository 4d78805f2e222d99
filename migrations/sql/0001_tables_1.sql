-- Tables of revision 0001, first half (what others point to).
-- Neutral form: the migration puts in INTEGER for BIGINT, DOUBLE, WITHOUT ROWID and PARTITION BY where a marker stands.

CREATE TABLE mode_count (
  subject_id BIGINT NOT NULL, characteristic_id BIGINT NOT NULL, stream_id BIGINT NOT NULL,
  mode VARCHAR(20) NOT NULL, n BIGINT NOT NULL, interfacial_sum_pct DOUBLE PRECISION NOT NULL,
  CONSTRAINT pk_mode_count PRIMARY KEY (subject_id, characteristic_id, stream_id, mode),
  CONSTRAINT ck_mode_count_mode_known CHECK (mode IN ('interfacial', 'cohesive', 'near-surface tear', 'parent material', 'mixed', 'test fault'))
) /* narrow */;

CREATE TABLE person (
  id BIGINT NOT NULL, name VARCHAR(120) NOT NULL, badge VARCHAR(60) NOT NULL, state VARCHAR(10) NOT NULL,
  password_hash VARCHAR(200) NOT NULL, pin_hash VARCHAR(200) NOT NULL, failed INTEGER NOT NULL,
  locked_until_us BIGINT, created_us BIGINT NOT NULL,
  CONSTRAINT pk_person PRIMARY KEY (id),
  CONSTRAINT uq_person_badge UNIQUE (badge),
  CONSTRAINT ck_person_name_filled CHECK (length(name) > 0),
  CONSTRAINT ck_person_state_known CHECK (state IN ('active', 'disabled'))
);

CREATE TABLE plant (
  id BIGINT NOT NULL, code VARCHAR(20) NOT NULL, name VARCHAR(120) NOT NULL, zone VARCHAR(60) NOT NULL,
  decimal_style VARCHAR(10) NOT NULL, single_user BOOLEAN NOT NULL, invented BOOLEAN NOT NULL,
  created_us BIGINT NOT NULL,
  CONSTRAINT pk_plant PRIMARY KEY (id),
  CONSTRAINT ck_plant_id_in_13_bits CHECK (id BETWEEN 1 AND 8191),
  CONSTRAINT uq_plant_code UNIQUE (code),
  CONSTRAINT ck_plant_code_filled CHECK (length(code) > 0),
  CONSTRAINT ck_plant_decimal_style_known CHECK (decimal_style IN ('point', 'comma'))
);

CREATE TABLE pull (
  subject_id BIGINT NOT NULL, characteristic_id BIGINT NOT NULL, stream_id BIGINT NOT NULL,
  sample INTEGER NOT NULL, mode VARCHAR(20) NOT NULL, interfacial_pct DOUBLE PRECISION,
  cohesive_pct DOUBLE PRECISION, tear_pct DOUBLE PRECISION, parent_pct DOUBLE PRECISION,
  displacement_mm DOUBLE PRECISION, moisture VARCHAR(20) NOT NULL, hours_since_weld DOUBLE PRECISION,
  status VARCHAR(20) NOT NULL, attempt INTEGER NOT NULL, repeat_of INTEGER, reason TEXT NOT NULL,
  CONSTRAINT pk_pull PRIMARY KEY (subject_id, characteristic_id, stream_id, sample),
  CONSTRAINT ck_pull_mode_known CHECK (mode IN ('interfacial', 'cohesive', 'near-surface tear', 'parent material', 'mixed', 'test fault')),
  CONSTRAINT ck_pull_status_known CHECK (status IN ('valid', 'test fault')),
  CONSTRAINT ck_pull_shares_sum_to_100 CHECK (mode <> 'mixed' OR abs(interfacial_pct + cohesive_pct + tear_pct + parent_pct - 100) < 0.5)
) /* narrow */;

CREATE TABLE reading (
  subject_id BIGINT NOT NULL, characteristic_id BIGINT NOT NULL, stream_id BIGINT NOT NULL,
  sample INTEGER NOT NULL, value DOUBLE PRECISION, at_us BIGINT NOT NULL, batch_id BIGINT NOT NULL,
  condition_id BIGINT NOT NULL,
  CONSTRAINT pk_reading PRIMARY KEY (subject_id, characteristic_id, stream_id, sample),
  CONSTRAINT ck_reading_value_finite CHECK (value IS NULL OR value BETWEEN -1e300 AND 1e300),
  CONSTRAINT ck_reading_sample_positive CHECK (sample > 0)
) /* narrow */ /* ranged */;

CREATE TABLE rollup (
  subject_id BIGINT NOT NULL, characteristic_id BIGINT NOT NULL, stream_id BIGINT NOT NULL,
  condition_id BIGINT NOT NULL, subgroup INTEGER NOT NULL, n BIGINT NOT NULL,
  shift DOUBLE PRECISION NOT NULL, s1 DOUBLE PRECISION NOT NULL, s2 DOUBLE PRECISION NOT NULL,
  low DOUBLE PRECISION NOT NULL, high DOUBLE PRECISION NOT NULL, first DOUBLE PRECISION NOT NULL,
  last DOUBLE PRECISION NOT NULL, sad DOUBLE PRECISION NOT NULL, sp DOUBLE PRECISION NOT NULL,
  CONSTRAINT pk_rollup PRIMARY KEY (subject_id, characteristic_id, stream_id, condition_id, subgroup)
) /* narrow */;
CREATE INDEX ix_rollup_characteristic ON rollup (characteristic_id, stream_id, subgroup);

CREATE TABLE shape (
  subject_id BIGINT NOT NULL, characteristic_id BIGINT NOT NULL, stream_id BIGINT NOT NULL,
  low DOUBLE PRECISION NOT NULL, high DOUBLE PRECISION NOT NULL, counts TEXT NOT NULL,
  CONSTRAINT pk_shape PRIMARY KEY (subject_id, characteristic_id, stream_id)
) /* narrow */;

CREATE TABLE welded_unit (
  subject_id BIGINT NOT NULL, sample INTEGER NOT NULL, serial VARCHAR(80) NOT NULL,
  CONSTRAINT pk_welded_unit PRIMARY KEY (subject_id, sample)
);
CREATE INDEX ix_welded_unit_serial ON welded_unit (serial);

CREATE TABLE attachment (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, what_kind VARCHAR(40) NOT NULL, what_id BIGINT NOT NULL,
  name VARCHAR(200) NOT NULL, digest VARCHAR(64) NOT NULL, place TEXT NOT NULL, at_us BIGINT NOT NULL,
  person_id BIGINT,
  CONSTRAINT pk_attachment PRIMARY KEY (id),
  CONSTRAINT fk_attachment_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_attachment_person_id FOREIGN KEY(person_id) REFERENCES person (id)
);
CREATE INDEX ix_attachment_what_id ON attachment (what_id);

CREATE TABLE authorisation (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, person_id BIGINT NOT NULL, test VARCHAR(80) NOT NULL,
  until_us BIGINT, granted_us BIGINT NOT NULL, granted_by_id BIGINT,
  CONSTRAINT pk_authorisation PRIMARY KEY (id),
  CONSTRAINT fk_authorisation_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_authorisation_person_id FOREIGN KEY(person_id) REFERENCES person (id),
  CONSTRAINT fk_authorisation_granted_by_id FOREIGN KEY(granted_by_id) REFERENCES person (id)
);
CREATE INDEX ix_authorisation_person_id ON authorisation (person_id);

CREATE TABLE clamp_tool (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, code VARCHAR(40) NOT NULL, glass VARCHAR(80) NOT NULL,
  CONSTRAINT pk_clamp_tool PRIMARY KEY (id),
  CONSTRAINT uq_clamp_tool_plant_id_code UNIQUE (plant_id, code),
  CONSTRAINT fk_clamp_tool_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id)
);

CREATE TABLE correction (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, subject_id BIGINT NOT NULL,
  characteristic_id BIGINT NOT NULL, stream_id BIGINT NOT NULL, sample INTEGER NOT NULL,
  position INTEGER NOT NULL, kind VARCHAR(10) NOT NULL, old_value DOUBLE PRECISION,
  new_value DOUBLE PRECISION, entered_text VARCHAR(80) NOT NULL, old_mode VARCHAR(20) NOT NULL,
  new_mode VARCHAR(20) NOT NULL, reason TEXT NOT NULL, person_id BIGINT, second_person_id BIGINT,
  at_us BIGINT NOT NULL,
  CONSTRAINT pk_correction PRIMARY KEY (id),
  CONSTRAINT ck_correction_kind_known CHECK (kind IN ('value', 'void', 'mode')),
  CONSTRAINT ck_correction_reason_filled CHECK (length(reason) > 0),
  CONSTRAINT fk_correction_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_correction_person_id FOREIGN KEY(person_id) REFERENCES person (id),
  CONSTRAINT fk_correction_second_person_id FOREIGN KEY(second_person_id) REFERENCES person (id)
);
CREATE INDEX ix_correction_reading ON correction (subject_id, characteristic_id, stream_id, sample);

CREATE TABLE customer (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, code VARCHAR(40) NOT NULL, name VARCHAR(120) NOT NULL,
  language VARCHAR(5) NOT NULL, index_standard DOUBLE PRECISION, index_special DOUBLE PRECISION,
  uses_bound BOOLEAN NOT NULL, run_length INTEGER, retention_years INTEGER, requalify_months INTEGER,
  symbols TEXT NOT NULL, notices TEXT NOT NULL,
  CONSTRAINT pk_customer PRIMARY KEY (id),
  CONSTRAINT uq_customer_plant_id_code UNIQUE (plant_id, code),
  CONSTRAINT ck_customer_language_known CHECK (language IN ('en', 'de')),
  CONSTRAINT fk_customer_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id)
);

CREATE TABLE entry_attempt (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, subject_id BIGINT NOT NULL,
  characteristic_id BIGINT NOT NULL, entered_text TEXT NOT NULL, value DOUBLE PRECISION,
  why TEXT NOT NULL, at_us BIGINT NOT NULL, person_id BIGINT,
  CONSTRAINT pk_entry_attempt PRIMARY KEY (id),
  CONSTRAINT fk_entry_attempt_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_entry_attempt_person_id FOREIGN KEY(person_id) REFERENCES person (id)
);
CREATE INDEX ix_entry_attempt_subject_id ON entry_attempt (subject_id);

CREATE TABLE gauge (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, code VARCHAR(40) NOT NULL, name VARCHAR(120) NOT NULL,
  family VARCHAR(40) NOT NULL, unit VARCHAR(20) NOT NULL, resolution DOUBLE PRECISION,
  interval_days INTEGER NOT NULL, verified_low DOUBLE PRECISION, verified_high DOUBLE PRECISION,
  uncertainty DOUBLE PRECISION, state VARCHAR(20) NOT NULL, place VARCHAR(80) NOT NULL,
  CONSTRAINT pk_gauge PRIMARY KEY (id),
  CONSTRAINT uq_gauge_plant_id_code UNIQUE (plant_id, code),
  CONSTRAINT ck_gauge_state_known CHECK (state IN ('in use', 'found bad', 'withdrawn')),
  CONSTRAINT ck_gauge_verified_low_le_verified_high CHECK (verified_low IS NULL OR verified_high IS NULL OR verified_low <= verified_high),
  CONSTRAINT fk_gauge_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id)
);

CREATE TABLE id_counter (
  plant_id BIGINT NOT NULL, next_value BIGINT NOT NULL,
  CONSTRAINT pk_id_counter PRIMARY KEY (plant_id),
  CONSTRAINT fk_id_counter_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id)
);

CREATE TABLE import_profile (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, name VARCHAR(60) NOT NULL, revision INTEGER NOT NULL,
  content TEXT NOT NULL, created_us BIGINT NOT NULL, person_id BIGINT,
  CONSTRAINT pk_import_profile PRIMARY KEY (id),
  CONSTRAINT uq_import_profile_plant_id_name_revision UNIQUE (plant_id, name, revision),
  CONSTRAINT fk_import_profile_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_import_profile_person_id FOREIGN KEY(person_id) REFERENCES person (id)
);

CREATE TABLE material (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, code VARCHAR(60) NOT NULL,
  supplier VARCHAR(120) NOT NULL, polymer VARCHAR(40) NOT NULL, filler VARCHAR(40) NOT NULL,
  filler_pct DOUBLE PRECISION, colour VARCHAR(60) NOT NULL, infrared_role VARCHAR(20) NOT NULL,
  absorber_pct DOUBLE PRECISION, melt_low_c DOUBLE PRECISION, melt_high_c DOUBLE PRECISION,
  surface_energy_mn_m DOUBLE PRECISION, drying TEXT NOT NULL,
  CONSTRAINT pk_material PRIMARY KEY (id),
  CONSTRAINT uq_material_plant_id_code UNIQUE (plant_id, code),
  CONSTRAINT ck_material_infrared_role_known CHECK (infrared_role IN ('transmissive', 'absorbing')),
  CONSTRAINT ck_material_melt_low_c_le_melt_high_c CHECK (melt_low_c IS NULL OR melt_high_c IS NULL OR melt_low_c <= melt_high_c),
  CONSTRAINT fk_material_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id)
);

CREATE TABLE pair_rating (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, upper VARCHAR(40) NOT NULL, lower VARCHAR(40) NOT NULL,
  rating VARCHAR(10) NOT NULL, source TEXT NOT NULL,
  CONSTRAINT pk_pair_rating PRIMARY KEY (id),
  CONSTRAINT uq_pair_rating_plant_id_upper_lower UNIQUE (plant_id, upper, lower),
  CONSTRAINT ck_pair_rating_rating_known CHECK (rating IN ('good', 'limited', 'none')),
  CONSTRAINT fk_pair_rating_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id)
);

CREATE TABLE plant_calendar (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, revision INTEGER NOT NULL, zone VARCHAR(60) NOT NULL,
  valid_from_us BIGINT NOT NULL, day_start_minute INTEGER NOT NULL, shifts TEXT NOT NULL,
  CONSTRAINT pk_plant_calendar PRIMARY KEY (id),
  CONSTRAINT uq_plant_calendar_plant_id_revision UNIQUE (plant_id, revision),
  CONSTRAINT fk_plant_calendar_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id)
);

CREATE TABLE polymer (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, code VARCHAR(40) NOT NULL, name VARCHAR(120) NOT NULL,
  crystallinity VARCHAR(20) NOT NULL, data TEXT NOT NULL, source TEXT NOT NULL,
  CONSTRAINT pk_polymer PRIMARY KEY (id),
  CONSTRAINT uq_polymer_plant_id_code UNIQUE (plant_id, code),
  CONSTRAINT fk_polymer_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id)
);

CREATE TABLE reading_entry (
  subject_id BIGINT NOT NULL, characteristic_id BIGINT NOT NULL, stream_id BIGINT NOT NULL,
  sample INTEGER NOT NULL, entered_text VARCHAR(80) NOT NULL, decimals INTEGER NOT NULL,
  first_text VARCHAR(80), entered_us BIGINT NOT NULL, offset_minutes INTEGER NOT NULL, person_id BIGINT,
  late BOOLEAN NOT NULL,
  CONSTRAINT pk_reading_entry PRIMARY KEY (subject_id, characteristic_id, stream_id, sample),
  CONSTRAINT fk_reading_entry_person_id FOREIGN KEY(person_id) REFERENCES person (id)
) /* narrow */;

CREATE TABLE role (
  person_id BIGINT NOT NULL, plant_id BIGINT NOT NULL, role VARCHAR(30) NOT NULL,
  CONSTRAINT pk_role PRIMARY KEY (person_id, plant_id, role),
  CONSTRAINT ck_role_role_known CHECK (role IN ('technician', 'process engineer', 'quality engineer', 'auditor', 'administrator')),
  CONSTRAINT fk_role_person_id FOREIGN KEY(person_id) REFERENCES person (id),
  CONSTRAINT fk_role_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id)
);

CREATE TABLE signature (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, person_id BIGINT NOT NULL, meaning VARCHAR(20) NOT NULL,
  what_kind VARCHAR(40) NOT NULL, what_id BIGINT NOT NULL, digest VARCHAR(64) NOT NULL,
  at_us BIGINT NOT NULL, reason TEXT NOT NULL,
  CONSTRAINT pk_signature PRIMARY KEY (id),
  CONSTRAINT ck_signature_meaning_known CHECK (meaning IN ('reviewed', 'approved', 'released', 'concession')),
  CONSTRAINT fk_signature_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_signature_person_id FOREIGN KEY(person_id) REFERENCES person (id)
);
CREATE INDEX ix_signature_what_id ON signature (what_id);

CREATE TABLE station (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, code VARCHAR(40) NOT NULL, name VARCHAR(120) NOT NULL,
  kind VARCHAR(20) NOT NULL, can_do TEXT NOT NULL, clean_every_hours INTEGER NOT NULL,
  idle_lock_seconds INTEGER NOT NULL,
  CONSTRAINT pk_station PRIMARY KEY (id),
  CONSTRAINT uq_station_plant_id_code UNIQUE (plant_id, code),
  CONSTRAINT ck_station_kind_known CHECK (kind IN ('welder', 'tester', 'meter', 'bench')),
  CONSTRAINT fk_station_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id)
);

CREATE TABLE subject (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, kind VARCHAR(30) NOT NULL,
  CONSTRAINT pk_subject PRIMARY KEY (id),
  CONSTRAINT ck_subject_kind_known CHECK (kind IN ('lot segment', 'moulding lot', 'gauge check', 'study run', 'parent specimens')),
  CONSTRAINT fk_subject_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id)
);

CREATE TABLE trail (
  plant_id BIGINT NOT NULL, seq BIGINT NOT NULL, at_us BIGINT NOT NULL, person_id BIGINT,
  station_id BIGINT, act VARCHAR(40) NOT NULL, what_table VARCHAR(40) NOT NULL, what_id BIGINT NOT NULL,
  content TEXT NOT NULL, previous VARCHAR(64) NOT NULL, digest VARCHAR(64) NOT NULL,
  CONSTRAINT pk_trail PRIMARY KEY (plant_id, seq),
  CONSTRAINT fk_trail_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id)
);
CREATE INDEX ix_trail_what ON trail (what_table, what_id);

CREATE TABLE trail_anchor (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, of_plant BIGINT NOT NULL, seq BIGINT NOT NULL,
  digest VARCHAR(64) NOT NULL, at_us BIGINT NOT NULL, place TEXT NOT NULL,
  CONSTRAINT pk_trail_anchor PRIMARY KEY (id),
  CONSTRAINT fk_trail_anchor_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id)
);

CREATE TABLE trail_head (
  plant_id BIGINT NOT NULL, seq BIGINT NOT NULL, digest VARCHAR(64) NOT NULL,
  CONSTRAINT pk_trail_head PRIMARY KEY (plant_id),
  CONSTRAINT fk_trail_head_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id)
);

CREATE TABLE batch (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, kind VARCHAR(10) NOT NULL, state VARCHAR(10) NOT NULL,
  file_name VARCHAR(260) NOT NULL, file_digest VARCHAR(64), content_digest VARCHAR(64) NOT NULL,
  profile_id BIGINT, person_id BIGINT, station_id BIGINT, entry_key VARCHAR(80),
  begun_us BIGINT NOT NULL, ended_us BIGINT, rows INTEGER NOT NULL, refused_rows INTEGER NOT NULL,
  remark TEXT NOT NULL,
  CONSTRAINT pk_batch PRIMARY KEY (id),
  CONSTRAINT ck_batch_kind_known CHECK (kind IN ('typed', 'file', 'machine')),
  CONSTRAINT ck_batch_state_known CHECK (state IN ('staged', 'accepted', 'refused')),
  CONSTRAINT uq_batch_plant_id_entry_key UNIQUE (plant_id, entry_key),
  CONSTRAINT fk_batch_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_batch_profile_id FOREIGN KEY(profile_id) REFERENCES import_profile (id),
  CONSTRAINT fk_batch_person_id FOREIGN KEY(person_id) REFERENCES person (id),
  CONSTRAINT fk_batch_station_id FOREIGN KEY(station_id) REFERENCES station (id)
);
CREATE INDEX ix_batch_file_digest ON batch (plant_id, file_digest);

CREATE TABLE calibration (
  id BIGINT NOT NULL, gauge_id BIGINT NOT NULL, at_us BIGINT NOT NULL, due_us BIGINT NOT NULL,
  verdict VARCHAR(10) NOT NULL, as_found DOUBLE PRECISION, as_left DOUBLE PRECISION,
  certificate VARCHAR(80) NOT NULL, standard TEXT NOT NULL, person_id BIGINT,
  CONSTRAINT pk_calibration PRIMARY KEY (id),
  CONSTRAINT ck_calibration_verdict_known CHECK (verdict IN ('good', 'bad')),
  CONSTRAINT fk_calibration_gauge_id FOREIGN KEY(gauge_id) REFERENCES gauge (id),
  CONSTRAINT fk_calibration_person_id FOREIGN KEY(person_id) REFERENCES person (id)
);
CREATE INDEX ix_calibration_gauge_id ON calibration (gauge_id);

CREATE TABLE component_part (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, number VARCHAR(60) NOT NULL, name VARCHAR(120) NOT NULL,
  side VARCHAR(10) NOT NULL, material_id BIGINT NOT NULL, thickness_mm DOUBLE PRECISION,
  CONSTRAINT pk_component_part PRIMARY KEY (id),
  CONSTRAINT uq_component_part_plant_id_number UNIQUE (plant_id, number),
  CONSTRAINT ck_component_part_side_known CHECK (side IN ('upper', 'lower')),
  CONSTRAINT fk_component_part_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_component_part_material_id FOREIGN KEY(material_id) REFERENCES material (id)
);

CREATE TABLE condition (
  id BIGINT NOT NULL, plant_id BIGINT, gauge_id BIGINT, geometry VARCHAR(40) NOT NULL,
  wavelength_nm DOUBLE PRECISION, thickness_mm DOUBLE PRECISION, position VARCHAR(40) NOT NULL,
  fixture VARCHAR(40) NOT NULL, speed_mm_min DOUBLE PRECISION, conditioning VARCHAR(40) NOT NULL,
  temperature_c DOUBLE PRECISION, humidity_pct DOUBLE PRECISION, stop_mode VARCHAR(20) NOT NULL,
  digest VARCHAR(64) NOT NULL,
  CONSTRAINT pk_condition PRIMARY KEY (id),
  CONSTRAINT uq_condition_digest UNIQUE (digest),
  CONSTRAINT fk_condition_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_condition_gauge_id FOREIGN KEY(gauge_id) REFERENCES gauge (id)
);
CREATE INDEX ix_condition_gauge_id ON condition (gauge_id);

CREATE TABLE delivery (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, material_id BIGINT NOT NULL,
  supplier_lot VARCHAR(60) NOT NULL, kind VARCHAR(20) NOT NULL, received_us BIGINT NOT NULL,
  expires_us BIGINT, state VARCHAR(20) NOT NULL,
  CONSTRAINT pk_delivery PRIMARY KEY (id),
  CONSTRAINT uq_delivery_plant_id_material_id_supplier_lot UNIQUE (plant_id, material_id, supplier_lot),
  CONSTRAINT ck_delivery_kind_known CHECK (kind IN ('resin', 'masterbatch', 'regrind')),
  CONSTRAINT ck_delivery_state_known CHECK (state IN ('accepted', 'on hold', 'refused')),
  CONSTRAINT fk_delivery_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_delivery_material_id FOREIGN KEY(material_id) REFERENCES material (id)
);

CREATE TABLE gauge_check (
  id BIGINT NOT NULL, gauge_id BIGINT NOT NULL, at_us BIGINT NOT NULL,
  reference DOUBLE PRECISION NOT NULL, found DOUBLE PRECISION NOT NULL,
  tolerance DOUBLE PRECISION NOT NULL, verdict VARCHAR(10) NOT NULL, person_id BIGINT,
  remark TEXT NOT NULL,
  CONSTRAINT pk_gauge_check PRIMARY KEY (id),
  CONSTRAINT ck_gauge_check_verdict_known CHECK (verdict IN ('good', 'bad')),
  CONSTRAINT fk_gauge_check_id FOREIGN KEY(id) REFERENCES subject (id),
  CONSTRAINT fk_gauge_check_gauge_id FOREIGN KEY(gauge_id) REFERENCES gauge (id),
  CONSTRAINT fk_gauge_check_person_id FOREIGN KEY(person_id) REFERENCES person (id)
);
CREATE INDEX ix_gauge_check_gauge_id ON gauge_check (gauge_id);

CREATE TABLE parent_specimens (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, material_id BIGINT NOT NULL, label VARCHAR(80) NOT NULL,
  tested_us BIGINT NOT NULL, remark TEXT NOT NULL, count INTEGER NOT NULL,
  CONSTRAINT pk_parent_specimens PRIMARY KEY (id),
  CONSTRAINT fk_parent_specimens_id FOREIGN KEY(id) REFERENCES subject (id),
  CONSTRAINT fk_parent_specimens_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_parent_specimens_material_id FOREIGN KEY(material_id) REFERENCES material (id)
);

CREATE TABLE part (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, number VARCHAR(60) NOT NULL, name VARCHAR(120) NOT NULL,
  customer_id BIGINT, customer_reference VARCHAR(80) NOT NULL, safety_related BOOLEAN NOT NULL,
  process VARCHAR(30) NOT NULL, joint VARCHAR(20) NOT NULL, upper_id BIGINT NOT NULL,
  lower_id BIGINT NOT NULL, seam_length_mm DOUBLE PRECISION, seam_width_mm DOUBLE PRECISION,
  CONSTRAINT pk_part PRIMARY KEY (id),
  CONSTRAINT uq_part_plant_id_number UNIQUE (plant_id, number),
  CONSTRAINT ck_part_number_filled CHECK (length(number) > 0),
  CONSTRAINT ck_part_process_known CHECK (process IN ('contour', 'simultaneous', 'quasi-simultaneous', 'mask')),
  CONSTRAINT ck_part_joint_known CHECK (joint IN ('lap', 'butt', 'radial', 'T-joint')),
  CONSTRAINT fk_part_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_part_customer_id FOREIGN KEY(customer_id) REFERENCES customer (id),
  CONSTRAINT fk_part_upper_id FOREIGN KEY(upper_id) REFERENCES component_part (id),
  CONSTRAINT fk_part_lower_id FOREIGN KEY(lower_id) REFERENCES component_part (id)
);

CREATE TABLE tool (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, component_part_id BIGINT NOT NULL,
  code VARCHAR(40) NOT NULL,
  CONSTRAINT pk_tool PRIMARY KEY (id),
  CONSTRAINT uq_tool_plant_id_code UNIQUE (plant_id, code),
  CONSTRAINT fk_tool_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_tool_component_part_id FOREIGN KEY(component_part_id) REFERENCES component_part (id)
);

CREATE TABLE cavity (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, tool_id BIGINT NOT NULL, code VARCHAR(20) NOT NULL,
  CONSTRAINT pk_cavity PRIMARY KEY (id),
  CONSTRAINT uq_cavity_tool_id_code UNIQUE (tool_id, code),
  CONSTRAINT fk_cavity_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_cavity_tool_id FOREIGN KEY(tool_id) REFERENCES tool (id)
);

CREATE TABLE characteristic (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, part_id BIGINT NOT NULL, code VARCHAR(40) NOT NULL,
  name VARCHAR(120) NOT NULL, hangs_on VARCHAR(20) NOT NULL, kind VARCHAR(20) NOT NULL,
  quantity VARCHAR(40) NOT NULL,
  CONSTRAINT pk_characteristic PRIMARY KEY (id),
  CONSTRAINT uq_characteristic_part_id_code UNIQUE (part_id, code),
  CONSTRAINT ck_characteristic_code_filled CHECK (length(code) > 0),
  CONSTRAINT ck_characteristic_hangs_on_known CHECK (hangs_on IN ('lot', 'moulding lot')),
  CONSTRAINT ck_characteristic_kind_known CHECK (kind IN ('measured', 'counted')),
  CONSTRAINT fk_characteristic_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_characteristic_part_id FOREIGN KEY(part_id) REFERENCES part (id)
);

CREATE TABLE control_plan (
  id BIGINT NOT NULL, plant_id BIGINT NOT NULL, part_id BIGINT NOT NULL, number VARCHAR(60) NOT NULL,
  phase VARCHAR(20) NOT NULL, revision INTEGER NOT NULL, state VARCHAR(20) NOT NULL,
  valid_from_us BIGINT NOT NULL, header TEXT NOT NULL, signature_id BIGINT,
  CONSTRAINT pk_control_plan PRIMARY KEY (id),
  CONSTRAINT uq_control_plan_part_id_phase_revision UNIQUE (part_id, phase, revision),
  CONSTRAINT ck_control_plan_phase_known CHECK (phase IN ('prototype', 'pre-launch', 'safe launch', 'production')),
  CONSTRAINT ck_control_plan_state_known CHECK (state IN ('draft', 'approved', 'superseded')),
  CONSTRAINT fk_control_plan_plant_id FOREIGN KEY(plant_id) REFERENCES plant (id),
  CONSTRAINT fk_control_plan_part_id FOREIGN KEY(part_id) REFERENCES part (id),
  CONSTRAINT fk_control_plan_signature_id FOREIGN KEY(signature_id) REFERENCES signature (id)
);
