-- A warehouse of schema version 1, written out: raw and settings whole, and two tables of those that a refresh makes.
-- Made by the code of b5f7aa6: two loads (the files of test_warehouse_versions.py, their corrections) and a refresh;
-- then duckdb_tables().sql of each table, and its rows as texts.
CREATE TABLE fitted.proposed_corrections(job_id VARCHAR, "column" VARCHAR, slip VARCHAR, value_now VARCHAR, value_proposed VARCHAR, likelihood DOUBLE, grounds VARCHAR, decision VARCHAR);
CREATE TABLE raw.batch_results(batch_id VARCHAR, "table" VARCHAR, file VARCHAR, "rule" VARCHAR, severity VARCHAR, "column" VARCHAR, "year" BIGINT, rows_measured BIGINT, measured DOUBLE, allowed DOUBLE, message VARCHAR);
CREATE TABLE raw.batches(batch_id VARCHAR, loaded_at TIMESTAMP WITH TIME ZONE, "mapping" VARCHAR, files BIGINT, rows_read BIGINT, rows_loaded BIGINT);
INSERT INTO raw.batches VALUES
('b0001', '2026-11-30 02:04:16.985027+00', null, '4', '12', '11'),
('b0002', '2026-11-30 02:04:25.458544+00', null, '1', '1', '1');
CREATE TABLE raw.corrections(job_id VARCHAR, "column" VARCHAR, slip VARCHAR, value_now VARCHAR, value_proposed VARCHAR, decision VARCHAR, grounds VARCHAR, batch_id VARCHAR, source_file VARCHAR, row_number BIGINT, load_sequence BIGINT, content_hash VARCHAR);
INSERT INTO raw.corrections VALUES
('J4', 'failed_component', null, 'splice', 'cable', 'apply', 'dug up', 'b0002', 'corrections.csv', '2', '2', 'eb5da7de56ec7a51f36865454948f6d7');
CREATE TABLE raw.customers_by_year(district_id VARCHAR, "year" BIGINT, customers_served BIGINT, batch_id VARCHAR, source_file VARCHAR, row_number BIGINT, load_sequence BIGINT, content_hash VARCHAR);
CREATE TABLE raw.districts(district_id VARCHAR, "name" VARCHAR, timezone VARCHAR, recorded_from DATE, customers_served BIGINT, batch_id VARCHAR, source_file VARCHAR, row_number BIGINT, load_sequence BIGINT, content_hash VARCHAR);
INSERT INTO raw.districts VALUES
('D1', 'North', 'America/Chicago', '2010-01-01', null, 'b0001', 'districts.csv', '2', '2', 'ce94fd58780f3f0f4750a2ea50a27d12');
CREATE TABLE raw.files(batch_id VARCHAR, file_no BIGINT, "table" VARCHAR, file VARCHAR, bytes BIGINT, digest VARCHAR, "read" BIGINT, "new" BIGINT, revised BIGINT, unchanged BIGINT, superseded BIGINT, quarantined BIGINT, warned BIGINT, filtered BIGINT);
INSERT INTO raw.files VALUES
('b0001', '0', 'districts', 'districts.csv', '76', '1-9965876711171906280', '1', '1', '0', '0', '0', '0', '0', '0'),
('b0001', '0', 'jobs', 'jobs.csv', '475', '6-53044193862413722753', '6', '5', '0', '0', '0', '1', '1', '0'),
('b0001', '0', 'loops', 'loops.csv', '32', '2-20922220721035399940', '2', '2', '0', '0', '0', '0', '0', '0'),
('b0001', '0', 'sections', 'sections.csv', '139', '3-42504733609066628111', '3', '3', '0', '0', '0', '0', '1', '0'),
('b0002', '0', 'corrections', 'corrections.csv', '108', '1-16891609036261940280', '1', '1', '0', '0', '0', '0', '0', '0');
CREATE TABLE raw.findings(batch_id VARCHAR, "table" VARCHAR, file VARCHAR, row_number BIGINT, "rule" VARCHAR, severity VARCHAR, "column" VARCHAR, "value" VARCHAR, message VARCHAR);
INSERT INTO raw.findings VALUES
('b0001', 'jobs', 'jobs.csv', '6', 'code_unknown', 'warn', 'cause', 'squirrel', 'cause = ''squirrel'' is not one of insulation_breakdown, water_treeing, neutral_corrosion, workmanship, moisture, overload, lightning, dig_in, animal, vehicle, other, unknown; it is taken as unknown: translate it in the mapping'),
('b0001', 'jobs', 'jobs.csv', '7', 'loop_unknown', 'reject', 'loop_id', 'nowhere', 'loop_id = ''nowhere'' is in no loops file; load the loop first, or mend the id'),
('b0001', 'sections', 'sections.csv', '4', 'install_date_missing', 'warn', 'installed_on', null, 'installed_on is empty; the section''s age is not known');
CREATE TABLE raw.instruments(instrument_id VARCHAR, in_service_on DATE, last_calibrated_on DATE, lead_length_m DOUBLE, batch_id VARCHAR, source_file VARCHAR, row_number BIGINT, load_sequence BIGINT, content_hash VARCHAR);
CREATE TABLE raw.job_clusters(job_id VARCHAR, joined_with VARCHAR, cluster_decision VARCHAR, grounds VARCHAR, batch_id VARCHAR, source_file VARCHAR, row_number BIGINT, load_sequence BIGINT, content_hash VARCHAR);
CREATE TABLE raw.jobs(job_id VARCHAR, revision BIGINT, status VARCHAR, loop_id VARCHAR, section_id VARCHAR, reported_at TIMESTAMP WITH TIME ZONE, dispatched_at TIMESTAMP WITH TIME ZONE, arrived_at TIMESTAMP WITH TIME ZONE, located_at TIMESTAMP WITH TIME ZONE, restored_at TIMESTAMP WITH TIME ZONE, pinpointed_at TIMESTAMP WITH TIME ZONE, repaired_at TIMESTAMP WITH TIME ZONE, normal_at TIMESTAMP WITH TIME ZONE, closed_at TIMESTAMP WITH TIME ZONE, customers_interrupted BIGINT, customer_minutes DOUBLE, crew_id VARCHAR, "method" VARCHAR, instrument_id VARCHAR, velocity_setting_pct DOUBLE, test_terminal_id VARCHAR, toward_terminal_id VARCHAR, estimated_distance_m DOUBLE, far_end_distance_m DOUBLE, far_end_terminal_id VARCHAR, dug_distance_m DOUBLE, dug_method VARCHAR, failed_component VARCHAR, cause VARCHAR, test_shots BIGINT, major_event BOOLEAN, repair_cost DOUBLE, notes VARCHAR, date_only_columns VARCHAR, batch_id VARCHAR, source_file VARCHAR, row_number BIGINT, load_sequence BIGINT, content_hash VARCHAR);
INSERT INTO raw.jobs VALUES
('J1', null, 'closed', 'A1', 'A1-1', '2015-06-01 15:00:00+00', null, null, null, '2015-06-01 19:00:00+00', null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, 'cable', 'unknown', null, null, null, null, null, 'b0001', 'jobs.csv', '2', '2', '8a0a59fb3c54a462bd0f85c8a5f8103d'),
('J2', null, 'closed', 'A1', 'A1-1', '2018-06-01 15:00:00+00', null, null, null, '2018-06-01 19:00:00+00', null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, 'cable', 'unknown', null, null, null, null, null, 'b0001', 'jobs.csv', '3', '3', '294534b1d7bb891e887f003ff84133dc'),
('J3', null, 'closed', 'A1', null, '2019-06-01 15:00:00+00', null, null, null, '2019-06-01 19:00:00+00', null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, 'cable', 'unknown', null, null, null, null, null, 'b0001', 'jobs.csv', '4', '4', '5940a136a27911af75a8f4a554c9dfe7'),
('J4', null, 'closed', 'B1', 'B1-1', '2020-06-01 15:00:00+00', null, null, null, '2020-06-01 19:00:00+00', null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, 'cable', 'unknown', null, null, null, null, null, 'b0002', 'corrections.csv', '2', '7', 'dd566d6d53341dd93b3d8be60f8d905f'),
('J4', null, 'closed', 'B1', 'B1-1', '2020-06-01 15:00:00+00', null, null, null, '2020-06-01 19:00:00+00', null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, 'splice', 'unknown', null, null, null, null, null, 'b0001', 'jobs.csv', '5', '5', 'dd566d6d53341dd93b3d8be60f8d905f'),
('J5', null, 'closed', 'A1', 'A1-2', '2021-06-01 15:00:00+00', null, null, null, '2021-06-01 19:00:00+00', null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, 'cable', null, null, null, null, null, null, 'b0001', 'jobs.csv', '6', '6', '9c4140bc5b29c30703561d5b744be62c');
CREATE TABLE raw.known_lengths(instrument_id VARCHAR, read_on DATE, section_id VARCHAR, known_length_m DOUBLE, reading_m DOUBLE, velocity_setting_pct DOUBLE, batch_id VARCHAR, source_file VARCHAR, row_number BIGINT, load_sequence BIGINT, content_hash VARCHAR);
CREATE TABLE raw.loops(loop_id VARCHAR, district_id VARCHAR, feeder_id VARCHAR, substation VARCHAR, "configuration" VARCHAR, voltage_kv DOUBLE, customers BIGINT, normal_open_terminal_id VARCHAR, batch_id VARCHAR, source_file VARCHAR, row_number BIGINT, load_sequence BIGINT, content_hash VARCHAR);
INSERT INTO raw.loops VALUES
('A1', 'D1', null, null, null, null, null, null, 'b0001', 'loops.csv', '2', '2', 'ea6ab7929767655df4d463cc055037cf'),
('B1', 'D1', null, null, null, null, null, null, 'b0001', 'loops.csv', '3', '3', 'c17a0895e34ed0a28148d1b9befd17b8');
CREATE TABLE raw.quarantined_rows(batch_id VARCHAR, "table" VARCHAR, file VARCHAR, row_number BIGINT, row_hash VARCHAR, "key" VARCHAR, headers VARCHAR, cells VARCHAR, released_by VARCHAR);
INSERT INTO raw.quarantined_rows VALUES
('b0001', 'jobs', 'jobs.csv', '7', '01a7b6de6372755718a1c8301b874ef4', 'J6', '["job_id", "loop_id", "section_id", "reported_at", "restored_at", "status", "failed_component", "cause"]', '["J6","nowhere","","2021-07-01 10:00","2021-07-01 14:00","closed","cable","unknown"]', null);
CREATE TABLE raw.ranking_loops(run_number BIGINT, loop_id VARCHAR, rank BIGINT, length_km DOUBLE, failures_recorded BIGINT, failures_shared DOUBLE, multiplier DOUBLE, class_rate_per_100km_year DOUBLE, expected_rate_per_100km_year DOUBLE);
INSERT INTO raw.ranking_loops VALUES
('3', 'A1', '1', '0.21', '3', '1.0000000000000002', '1.01770757321804', '202.3114286474759', '205.89387308309736'),
('3', 'B1', '2', '0.2', '1', '0.0', '0.9480412475791161', '66.67654227989996', '63.212112327298044');
CREATE TABLE raw.ranking_runs(run_number BIGINT PRIMARY KEY, as_of DATE, model_form VARCHAR, settings VARCHAR);
INSERT INTO raw.ranking_runs VALUES
('3', '2021-06-01', 'blend (penalty 10)', '{"general.horizon_years": "5.0", "intake.classes": "{}", "intake.insulations": "{}", "intake.midnight_share": "0.01", "intake.unpacked_limit_gb": "4.0", "survival.age_band_years": "5.0", "survival.min_failures": "5", "validation.batch_min_rows": "30", "validation.distribution_distance": "0.3", "validation.emptied_share": "0.1", "validation.orphan_share_limit": "0.05", "validation.severities": "{}", "validation.weigh_corrections": "true"}');
CREATE TABLE raw.ranking_sections(run_number BIGINT, section_id VARCHAR, loop_id VARCHAR, cable_class VARCHAR, length_km DOUBLE, installed_on DATE);
INSERT INTO raw.ranking_sections VALUES
('3', 'A1-1', 'A1', 'XLPE/unknown/unknown', '0.12', '1980-05-01'),
('3', 'A1-2', 'A1', 'XLPE/unknown/unknown', '0.09', '1980-05-01'),
('3', 'B1-1', 'B1', 'EPR/unknown/unknown', '0.2', null);
CREATE TABLE raw.restoration_steps(job_id VARCHAR, step_at TIMESTAMP WITH TIME ZONE, customers_restored BIGINT, batch_id VARCHAR, source_file VARCHAR, row_number BIGINT, load_sequence BIGINT, content_hash VARCHAR);
CREATE TABLE raw.run_steps(run_number BIGINT, step_number BIGINT, step VARCHAR, "seconds" DOUBLE, rows_written BIGINT);
INSERT INTO raw.run_steps VALUES
('1', '1', 'load', '8.456093343999783', '12'),
('2', '1', 'load', '0.4044088290002037', '1'),
('3', '1', 'core', '0.8023204080000141', '55'),
('3', '10', 'reports', '5.474764552999659', '15'),
('3', '2', 'restoration', '0.9259245460002603', '176'),
('3', '3', 'locating', '0.38202298000032897', '0'),
('3', '4', 'survival', '0.734811499999978', '33'),
('3', '5', 'replacement', '3.5523678499998823', '626'),
('3', '6', 'validation', '0.18492410199996812', '0'),
('3', '7', 'effects', '0.7566037369997503', '3'),
('3', '8', 'marts', '1.0745309150001958', '885'),
('3', '9', 'exports', '0.9644170350002241', '885');
CREATE TABLE raw.runs(run_number BIGINT PRIMARY KEY, command VARCHAR, started_at TIMESTAMP WITH TIME ZONE, "seconds" DOUBLE, outcome VARCHAR, as_of DATE, failed_step VARCHAR, fault VARCHAR);
INSERT INTO raw.runs VALUES
('1', 'load', '2026-11-30 02:04:16.809646+00', '8.456516161000309', 'done', null, null, null),
('2', 'load', '2026-11-30 02:04:25.407062+00', '0.4047224539999661', 'done', null, null, null),
('3', 'refresh', '2026-11-30 02:04:25.910242+00', '15.089985406000324', 'done', '2021-06-01', null, null);
CREATE TABLE raw.section_pieces(section_id VARCHAR, from_m DOUBLE, to_m DOUBLE, insulation VARCHAR, neutral VARCHAR, installation VARCHAR, installed_on DATE, is_install_year_only BOOLEAN, batch_id VARCHAR, source_file VARCHAR, row_number BIGINT, load_sequence BIGINT, content_hash VARCHAR);
CREATE TABLE raw.sections(section_id VARCHAR, loop_id VARCHAR, "position" BIGINT, from_terminal_id VARCHAR, to_terminal_id VARCHAR, length_m DOUBLE, insulation VARCHAR, neutral VARCHAR, installation VARCHAR, conductor VARCHAR, installed_on DATE, is_install_year_only BOOLEAN, retired_on DATE, retired_because VARCHAR, rejuvenated_on DATE, customers BIGINT, batch_id VARCHAR, source_file VARCHAR, row_number BIGINT, load_sequence BIGINT, content_hash VARCHAR);
INSERT INTO raw.sections VALUES
('A1-1', 'A1', '1', null, null, '120.0', 'XLPE', null, null, null, '1980-05-01', 'false', null, null, null, null, 'b0001', 'sections.csv', '2', '2', '6fc7648933b84cbef2af5a568c488223'),
('A1-2', 'A1', '2', null, null, '90.0', 'XLPE', null, null, null, '1980-05-01', 'false', null, null, null, null, 'b0001', 'sections.csv', '3', '3', '67c983070b10ec035c800d10e8aeeff9'),
('B1-1', 'B1', '1', null, null, '200.0', 'EPR', null, null, null, null, 'false', null, null, null, null, 'b0001', 'sections.csv', '4', '4', '9bbe582797a870d39adde3846ad4f001');
CREATE TABLE raw.terminals(terminal_id VARCHAR, loop_id VARCHAR, kind VARCHAR, customers BIGINT, tail_m DOUBLE, x DOUBLE, y DOUBLE, batch_id VARCHAR, source_file VARCHAR, row_number BIGINT, load_sequence BIGINT, content_hash VARCHAR);
CREATE TABLE raw.test_shots(job_id VARCHAR, shot_no BIGINT, shot_at TIMESTAMP WITH TIME ZONE, terminal_id VARCHAR, toward_terminal_id VARCHAR, instrument_id VARCHAR, velocity_setting_pct DOUBLE, far_end_terminal_id VARCHAR, far_end_distance_m DOUBLE, result VARCHAR, fault_distance_m DOUBLE, batch_id VARCHAR, source_file VARCHAR, row_number BIGINT, load_sequence BIGINT, content_hash VARCHAR);
CREATE TABLE settings.classes(parts VARCHAR, cable_class VARCHAR);
CREATE TABLE settings."current"(general_as_of DATE, general_horizon_years DOUBLE, general_interval_level DOUBLE, general_currency VARCHAR, general_seed BIGINT, general_small_group BIGINT, general_memory_limit_gb DOUBLE, intake_midnight_share DOUBLE, intake_unpacked_limit_gb DOUBLE, validation_weigh_corrections BOOLEAN, validation_batch_min_rows BIGINT, validation_orphan_share_limit DOUBLE, validation_emptied_share DOUBLE, validation_distribution_distance DOUBLE, restoration_sustained_min DOUBLE, restoration_bootstrap_replicates BIGINT, restoration_longest_believed_days DOUBLE, restoration_comparison_min_jobs BIGINT, restoration_show_crews BOOLEAN, restoration_night_from_hour BIGINT, restoration_night_to_hour BIGINT, locating_tolerance_pct DOUBLE, locating_tolerance_m DOUBLE, locating_window_level DOUBLE, survival_age_band_years DOUBLE, survival_min_failures BIGINT, replacement_budget DOUBLE, replacement_budget_km DOUBLE, replacement_cost_per_m_buried DOUBLE, replacement_cost_per_m_duct DOUBLE, replacement_cost_per_loop DOUBLE, replacement_repair_cost DOUBLE, replacement_customer_minute_value DOUBLE, replacement_discount_rate_pct DOUBLE, replacement_cable_life_years DOUBLE, replacement_new_cable_rate_per_100km_year DOUBLE, replacement_customer_event_value DOUBLE, replacement_cost_per_m_injected DOUBLE, replacement_injection_multiplier DOUBLE, replacement_injection_years DOUBLE, replacement_programme_years BIGINT, replacement_sensitivity_price_share DOUBLE, replacement_least_benefit_cost_ratio DOUBLE, replacement_programme_gap DOUBLE, replacement_backtest_origins BIGINT, replacement_before_after_years DOUBLE, replacement_backtest_replicates BIGINT);
INSERT INTO settings.current VALUES
('2021-06-01', '5.0', '0.9', 'USD', '20260101', '10', '2.5', '0.01', '4.0', 'true', '30', '0.05', '0.1', '0.3', '5.0', '2000', '7.0', '30', 'false', '22', '6', '2.0', '3.0', '0.8', '5.0', '5', '3000000.0', '0.0', '190.0', '95.0', '6000.0', '6500.0', '0.3', '5.0', '40.0', '0.5', '0.0', '55.0', '0.3', '20.0', '5', '0.3', '0.0', '0.0001', '5', '3.0', '200');
CREATE TABLE staging.jobs(job_id VARCHAR, revision BIGINT, loop_id VARCHAR, section_id VARCHAR, reported_at TIMESTAMP WITH TIME ZONE, dispatched_at TIMESTAMP WITH TIME ZONE, arrived_at TIMESTAMP WITH TIME ZONE, located_at TIMESTAMP WITH TIME ZONE, restored_at TIMESTAMP WITH TIME ZONE, pinpointed_at TIMESTAMP WITH TIME ZONE, repaired_at TIMESTAMP WITH TIME ZONE, normal_at TIMESTAMP WITH TIME ZONE, closed_at TIMESTAMP WITH TIME ZONE, customers_interrupted BIGINT, customer_minutes DOUBLE, crew_id VARCHAR, "method" VARCHAR, instrument_id VARCHAR, velocity_setting_pct DOUBLE, test_terminal_id VARCHAR, toward_terminal_id VARCHAR, estimated_distance_m DOUBLE, far_end_distance_m DOUBLE, far_end_terminal_id VARCHAR, dug_distance_m DOUBLE, dug_method VARCHAR, failed_component VARCHAR, cause VARCHAR, test_shots BIGINT, major_event BOOLEAN, repair_cost DOUBLE, notes VARCHAR, date_only_columns VARCHAR, batch_id VARCHAR, source_file VARCHAR, row_number BIGINT);
INSERT INTO staging.jobs VALUES
('J1', null, 'A1', 'A1-1', '2015-06-01 15:00:00+00', null, null, null, '2015-06-01 19:00:00+00', null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, 'cable', 'unknown', null, null, null, null, null, 'b0001', 'jobs.csv', '2'),
('J2', null, 'A1', 'A1-1', '2018-06-01 15:00:00+00', null, null, null, '2018-06-01 19:00:00+00', null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, 'cable', 'unknown', null, null, null, null, null, 'b0001', 'jobs.csv', '3'),
('J3', null, 'A1', null, '2019-06-01 15:00:00+00', null, null, null, '2019-06-01 19:00:00+00', null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, 'cable', 'unknown', null, null, null, null, null, 'b0001', 'jobs.csv', '4'),
('J4', null, 'B1', 'B1-1', '2020-06-01 15:00:00+00', null, null, null, '2020-06-01 19:00:00+00', null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, 'cable', 'unknown', null, null, null, null, null, 'b0002', 'corrections.csv', '2'),
('J5', null, 'A1', 'A1-2', '2021-06-01 15:00:00+00', null, null, null, '2021-06-01 19:00:00+00', null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, null, 'cable', null, null, null, null, null, null, 'b0001', 'jobs.csv', '6');
