CREATE TABLE account (
	id VARCHAR(36) NOT NULL, 
	name VARCHAR(60) NOT NULL, 
	role VARCHAR(20) NOT NULL, 
	password_hash VARCHAR(200) NOT NULL, 
	language VARCHAR(10), 
	disabled BOOLEAN NOT NULL, 
	created_at DATETIME NOT NULL, home_id VARCHAR(36), 
	CONSTRAINT pk_account PRIMARY KEY (id), 
	CONSTRAINT uq_account_name UNIQUE (name)
);
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0012');
CREATE TABLE audit_entry (
	seq INTEGER NOT NULL, 
	at DATETIME NOT NULL, 
	account_id VARCHAR(36), 
	action VARCHAR(40) NOT NULL, 
	subject VARCHAR(80) NOT NULL, 
	detail TEXT NOT NULL, 
	previous_hash VARCHAR(64) NOT NULL, 
	hash VARCHAR(64) NOT NULL, 
	CONSTRAINT pk_audit_entry PRIMARY KEY (seq), 
	CONSTRAINT uq_audit_entry_hash UNIQUE (hash), 
	CONSTRAINT uq_audit_entry_previous_hash UNIQUE (previous_hash)
);
CREATE TABLE calibration_use (
	id VARCHAR(36) NOT NULL, 
	number INTEGER NOT NULL, 
	calibration_id VARCHAR(36), 
	since DATETIME NOT NULL, 
	put_by VARCHAR(36), 
	reason VARCHAR(200) NOT NULL, 
	judged_at DATETIME, 
	CONSTRAINT pk_calibration_use PRIMARY KEY (id), 
	CONSTRAINT fk_calibration_use_calibration_id FOREIGN KEY(calibration_id) REFERENCES site_calibration (id), 
	CONSTRAINT fk_calibration_use_put_by FOREIGN KEY(put_by) REFERENCES account (id) ON DELETE SET NULL, 
	CONSTRAINT uq_calibration_use_number UNIQUE (number)
);
CREATE TABLE device (
	id VARCHAR(36) NOT NULL, 
	token_hash VARCHAR(64) NOT NULL, 
	account_id VARCHAR(36) NOT NULL, 
	pin_hash VARCHAR(200) NOT NULL, 
	wrong_tries INTEGER NOT NULL, 
	made_at DATETIME NOT NULL, 
	password_at DATETIME NOT NULL, 
	CONSTRAINT pk_device PRIMARY KEY (id), 
	CONSTRAINT fk_device_account_id FOREIGN KEY(account_id) REFERENCES account (id) ON DELETE CASCADE, 
	CONSTRAINT uq_device_token_hash UNIQUE (token_hash)
);
CREATE TABLE event (
	id VARCHAR(36) NOT NULL, 
	woman_id VARCHAR(36) NOT NULL, 
	referral_id VARCHAR(36), 
	reading_id VARCHAR(36), 
	kind VARCHAR(30) NOT NULL, 
	"on" DATE NOT NULL, 
	choice VARCHAR(20), 
	amount INTEGER, 
	words VARCHAR(200), 
	entered_by VARCHAR(36), 
	entered_at DATETIME NOT NULL, 
	set_aside_at DATETIME, 
	CONSTRAINT pk_event PRIMARY KEY (id), 
	CONSTRAINT fk_event_entered_by FOREIGN KEY(entered_by) REFERENCES account (id) ON DELETE SET NULL, 
	CONSTRAINT fk_event_referral_id FOREIGN KEY(referral_id) REFERENCES referral (id) ON DELETE CASCADE, 
	CONSTRAINT fk_event_reading_id FOREIGN KEY(reading_id) REFERENCES reading (id) ON DELETE SET NULL, 
	CONSTRAINT fk_event_woman_id FOREIGN KEY(woman_id) REFERENCES woman (id) ON DELETE CASCADE
);
CREATE TABLE field_change (
	id VARCHAR(36) NOT NULL, 
	woman_id VARCHAR(36) NOT NULL, 
	in_table VARCHAR(30) NOT NULL, 
	record VARCHAR(36) NOT NULL, 
	field VARCHAR(30) NOT NULL, 
	said JSON NOT NULL, 
	at DATETIME NOT NULL, 
	"by" VARCHAR(36), 
	register_id VARCHAR(36), 
	head BOOLEAN NOT NULL, 
	CONSTRAINT pk_field_change PRIMARY KEY (id)
);
CREATE TABLE held_by (
	woman_id VARCHAR(36) NOT NULL, 
	register_id VARCHAR(36) NOT NULL, 
	CONSTRAINT pk_held_by PRIMARY KEY (woman_id, register_id)
);
CREATE TABLE joined_away (
	woman_id VARCHAR(36) NOT NULL, 
	into_id VARCHAR(36) NOT NULL, 
	code VARCHAR(24) NOT NULL, 
	"row" JSON NOT NULL, 
	CONSTRAINT pk_joined_away PRIMARY KEY (woman_id)
);
CREATE TABLE joined_visit (
	visit_id VARCHAR(36) NOT NULL, 
	lead_id VARCHAR(36) NOT NULL, 
	"on" DATE NOT NULL, 
	made_of VARCHAR(64) NOT NULL, 
	joined_at DATETIME NOT NULL, 
	hb_g_dl DOUBLE, 
	low_g_dl DOUBLE, 
	high_g_dl DOUBLE, 
	sd_g_dl DOUBLE, 
	band VARCHAR(30), 
	result JSON, 
	CONSTRAINT pk_joined_visit PRIMARY KEY (visit_id), 
	CONSTRAINT fk_joined_visit_visit_id FOREIGN KEY(visit_id) REFERENCES visit (id) ON DELETE CASCADE
);
CREATE TABLE joining (
	id VARCHAR(36) NOT NULL, 
	one_id VARCHAR(36) NOT NULL, 
	other_id VARCHAR(36) NOT NULL, 
	entered_at DATETIME NOT NULL, 
	entered_by VARCHAR(36), 
	parted_at DATETIME, 
	parted_by VARCHAR(36), 
	CONSTRAINT pk_joining PRIMARY KEY (id)
);
CREATE TABLE judged_again (
	id VARCHAR(36) NOT NULL, 
	use_id VARCHAR(36) NOT NULL, 
	visit_id VARCHAR(36) NOT NULL, 
	at DATETIME NOT NULL, 
	was VARCHAR(30) NOT NULL, 
	outcome VARCHAR(30) NOT NULL, 
	may_be_severe BOOLEAN NOT NULL, 
	hb_g_dl DOUBLE, 
	low_g_dl DOUBLE, 
	high_g_dl DOUBLE, 
	settled_at DATETIME, 
	settled_by VARCHAR(36), 
	settled_why VARCHAR(200), 
	CONSTRAINT pk_judged_again PRIMARY KEY (id), 
	CONSTRAINT fk_judged_again_use_id FOREIGN KEY(use_id) REFERENCES calibration_use (id) ON DELETE CASCADE, 
	CONSTRAINT fk_judged_again_visit_id FOREIGN KEY(visit_id) REFERENCES visit (id) ON DELETE CASCADE, 
	CONSTRAINT fk_judged_again_settled_by FOREIGN KEY(settled_by) REFERENCES account (id) ON DELETE SET NULL
);
CREATE TABLE kept_lists (
	number INTEGER NOT NULL, 
	rules VARCHAR(64) NOT NULL, 
	done_to VARCHAR(36), 
	CONSTRAINT pk_kept_lists PRIMARY KEY (number)
);
CREATE TABLE kept_place (
	woman_id VARCHAR(36) NOT NULL, 
	on_list VARCHAR(20) NOT NULL, 
	since DATE NOT NULL, 
	pressing INTEGER NOT NULL, 
	value DOUBLE NOT NULL, 
	CONSTRAINT pk_kept_place PRIMARY KEY (woman_id, on_list), 
	CONSTRAINT fk_kept_place_woman_id FOREIGN KEY(woman_id) REFERENCES woman (id) ON DELETE CASCADE
);
CREATE TABLE known_register (
	id VARCHAR(36) NOT NULL, 
	name VARCHAR(60) NOT NULL, 
	seal_public VARCHAR(64) NOT NULL, 
	sign_public VARCHAR(64) NOT NULL, 
	only_theirs BOOLEAN NOT NULL, 
	added_at DATETIME NOT NULL, 
	told INTEGER NOT NULL, 
	told_trail INTEGER NOT NULL, 
	told_at DATETIME, 
	taken INTEGER NOT NULL, 
	taken_trail INTEGER NOT NULL, 
	taken_at DATETIME, 
	CONSTRAINT pk_known_register PRIMARY KEY (id), 
	CONSTRAINT uq_known_register_name UNIQUE (name)
);
CREATE TABLE last_judged (
	number INTEGER NOT NULL, 
	protocol_id VARCHAR(64) NOT NULL, 
	protocol_text TEXT, 
	elevation_m DOUBLE, 
	CONSTRAINT pk_last_judged PRIMARY KEY (number)
);
CREATE TABLE moved (
	record VARCHAR(36) NOT NULL, 
	in_table VARCHAR(30) NOT NULL, 
	own_id VARCHAR(36) NOT NULL, 
	CONSTRAINT pk_moved PRIMARY KEY (record)
);
CREATE TABLE out_of_place (
	woman_id VARCHAR(36) NOT NULL, 
	CONSTRAINT pk_out_of_place PRIMARY KEY (woman_id)
);
CREATE TABLE own_register (
	id VARCHAR(36) NOT NULL, 
	name VARCHAR(60) NOT NULL, 
	seal_private VARCHAR(64) NOT NULL, 
	sign_private VARCHAR(64) NOT NULL, 
	made_at DATETIME NOT NULL, 
	CONSTRAINT pk_own_register PRIMARY KEY (id)
);
CREATE TABLE paper_batch (
	id VARCHAR(36) NOT NULL, 
	name VARCHAR(40) NOT NULL, 
	since DATETIME NOT NULL, 
	entered_by VARCHAR(36), 
	CONSTRAINT pk_paper_batch PRIMARY KEY (id), 
	CONSTRAINT fk_paper_batch_entered_by FOREIGN KEY(entered_by) REFERENCES account (id) ON DELETE SET NULL
);
CREATE TABLE reading (
	id VARCHAR(36) NOT NULL, 
	submission_key VARCHAR(64) NOT NULL, 
	woman_id VARCHAR(36) NOT NULL, 
	visit_id VARCHAR(36), 
	source VARCHAR(10) NOT NULL, 
	taken_at DATETIME NOT NULL, 
	hb_g_dl DOUBLE, 
	low_g_dl DOUBLE, 
	high_g_dl DOUBLE, 
	sd_g_dl DOUBLE, 
	band VARCHAR(30), 
	refusal VARCHAR(40), 
	lot_id VARCHAR(20), 
	phone VARCHAR(80), 
	method VARCHAR(80), 
	place VARCHAR(80), 
	blot INTEGER, 
	photo_sha256 VARCHAR(64), 
	photo_file VARCHAR(80), 
	detail JSON, 
	entered_by VARCHAR(36), 
	entered_at DATETIME NOT NULL, 
	set_aside_at DATETIME, 
	set_aside_why VARCHAR(200), phone_taken_at DATETIME, clock_behind_s DOUBLE, paper VARCHAR(40), blot_id VARCHAR(36), 
	CONSTRAINT pk_reading PRIMARY KEY (id), 
	CONSTRAINT fk_reading_entered_by FOREIGN KEY(entered_by) REFERENCES account (id) ON DELETE SET NULL, 
	CONSTRAINT fk_reading_visit_id FOREIGN KEY(visit_id) REFERENCES visit (id) ON DELETE CASCADE, 
	CONSTRAINT fk_reading_woman_id FOREIGN KEY(woman_id) REFERENCES woman (id) ON DELETE CASCADE, 
	CONSTRAINT uq_reading_submission_key UNIQUE (submission_key)
);
CREATE TABLE "referral" (
	id VARCHAR(36) NOT NULL, 
	woman_id VARCHAR(36) NOT NULL, 
	band VARCHAR(30) NOT NULL, 
	hb_g_dl DOUBLE, 
	low_g_dl DOUBLE, 
	high_g_dl DOUBLE, 
	urgent BOOLEAN NOT NULL, 
	source VARCHAR(10) NOT NULL, 
	opened_at DATETIME NOT NULL, 
	opened_by VARCHAR(36), 
	closed_at DATETIME, 
	closing_reading_id VARCHAR(36), 
	purpose VARCHAR(10) DEFAULT 'test' NOT NULL, 
	outcome VARCHAR(20), 
	opening_reading_id VARCHAR(36), 
	CONSTRAINT pk_referral PRIMARY KEY (id), 
	CONSTRAINT fk_referral_closing_reading_id FOREIGN KEY(closing_reading_id) REFERENCES reading (id) ON DELETE SET NULL, 
	CONSTRAINT fk_referral_opened_by FOREIGN KEY(opened_by) REFERENCES account (id) ON DELETE SET NULL, 
	CONSTRAINT fk_referral_woman_id FOREIGN KEY(woman_id) REFERENCES woman (id) ON DELETE CASCADE, 
	CONSTRAINT fk_referral_opening_reading_id FOREIGN KEY(opening_reading_id) REFERENCES reading (id) ON DELETE SET NULL
);
CREATE TABLE removed_woman (
	woman_id VARCHAR(36) NOT NULL, 
	at DATETIME NOT NULL, 
	CONSTRAINT pk_removed_woman PRIMARY KEY (woman_id)
);
CREATE TABLE sign_in (
	token_hash VARCHAR(64) NOT NULL, 
	account_id VARCHAR(36) NOT NULL, 
	csrf VARCHAR(64) NOT NULL, 
	started_at DATETIME NOT NULL, 
	seen_at DATETIME NOT NULL, 
	CONSTRAINT pk_sign_in PRIMARY KEY (token_hash), 
	CONSTRAINT fk_sign_in_account_id FOREIGN KEY(account_id) REFERENCES account (id) ON DELETE CASCADE
);
CREATE TABLE site_calibration (
	id VARCHAR(36) NOT NULL, 
	name VARCHAR(100) NOT NULL, 
	state VARCHAR(10) NOT NULL, 
	begun_at DATETIME NOT NULL, 
	begun_by VARCHAR(36), 
	beat_at DATETIME NOT NULL, 
	ended_at DATETIME, 
	problem VARCHAR(300), 
	n_pairs INTEGER, 
	n_women INTEGER, 
	chain VARCHAR(40), 
	sha256 VARCHAR(64), 
	verdict TEXT, 
	fit_for_use BOOLEAN, 
	model JSON, 
	provenance JSON, 
	report JSON, 
	CONSTRAINT pk_site_calibration PRIMARY KEY (id), 
	CONSTRAINT fk_site_calibration_begun_by FOREIGN KEY(begun_by) REFERENCES account (id) ON DELETE SET NULL
);
CREATE TABLE taken_trail (
	register_id VARCHAR(36) NOT NULL, 
	seq INTEGER NOT NULL, 
	at DATETIME NOT NULL, 
	account_id VARCHAR(36), 
	action VARCHAR(40) NOT NULL, 
	subject VARCHAR(80) NOT NULL, 
	detail TEXT NOT NULL, 
	previous_hash VARCHAR(64) NOT NULL, 
	hash VARCHAR(64) NOT NULL, 
	CONSTRAINT pk_taken_trail PRIMARY KEY (register_id, seq)
);
CREATE TABLE touched (
	woman_id VARCHAR(36) NOT NULL, 
	seq INTEGER NOT NULL, 
	CONSTRAINT pk_touched PRIMARY KEY (woman_id)
);
CREATE TABLE treatment (
	id VARCHAR(36) NOT NULL, 
	woman_id VARCHAR(36) NOT NULL, 
	regimen VARCHAR(20) NOT NULL, 
	started_on DATE NOT NULL, 
	ended_on DATE, 
	CONSTRAINT pk_treatment PRIMARY KEY (id), 
	CONSTRAINT fk_treatment_woman_id FOREIGN KEY(woman_id) REFERENCES woman (id) ON DELETE CASCADE
);
CREATE TABLE visit (
	id VARCHAR(36) NOT NULL, 
	woman_id VARCHAR(36) NOT NULL, 
	number INTEGER NOT NULL, 
	"on" DATE NOT NULL, 
	opened_by VARCHAR(36), 
	opened_at DATETIME NOT NULL, 
	hb_g_dl DOUBLE, 
	low_g_dl DOUBLE, 
	high_g_dl DOUBLE, 
	sd_g_dl DOUBLE, 
	band VARCHAR(30), 
	result JSON, 
	CONSTRAINT pk_visit PRIMARY KEY (id), 
	CONSTRAINT fk_visit_opened_by FOREIGN KEY(opened_by) REFERENCES account (id) ON DELETE SET NULL, 
	CONSTRAINT fk_visit_woman_id FOREIGN KEY(woman_id) REFERENCES woman (id) ON DELETE CASCADE
);
CREATE TABLE woman (
	id VARCHAR(36) NOT NULL, 
	code VARCHAR(24) NOT NULL, 
	gestation_weeks INTEGER, 
	gestation_on DATE, 
	smoking VARCHAR(12), 
	added_at DATETIME NOT NULL, 
	added_by VARCHAR(36), 
	closed_on DATE, 
	closed_reason VARCHAR(20), followed_from DATE, birth_on DATE, birth_outcome VARCHAR(20), contradicts VARCHAR(60), 
	CONSTRAINT pk_woman PRIMARY KEY (id), 
	CONSTRAINT fk_woman_added_by FOREIGN KEY(added_by) REFERENCES account (id) ON DELETE SET NULL, 
	CONSTRAINT uq_woman_code UNIQUE (code)
);
CREATE INDEX ix_treatment_woman_id ON treatment (woman_id);
CREATE INDEX ix_visit_woman_id ON visit (woman_id);
CREATE INDEX ix_reading_visit_id ON reading (visit_id);
CREATE INDEX ix_reading_woman_id ON reading (woman_id);
CREATE TRIGGER audit_entry_no_update BEFORE UPDATE ON audit_entry
BEGIN SELECT RAISE(ABORT, 'the audit trail is append only'); END;
CREATE TRIGGER audit_entry_no_delete BEFORE DELETE ON audit_entry
BEGIN SELECT RAISE(ABORT, 'the audit trail is append only'); END;
CREATE INDEX ix_referral_woman_id ON referral (woman_id);
CREATE INDEX ix_event_on ON event ("on");
CREATE INDEX ix_event_woman_id ON event (woman_id);
CREATE INDEX ix_touched_seq ON touched (seq);
CREATE INDEX ix_field_change_woman_id ON field_change (woman_id);
CREATE INDEX ix_field_change_record ON field_change (record);
CREATE INDEX ix_joining_one_id ON joining (one_id);
CREATE INDEX ix_joining_other_id ON joining (other_id);
CREATE INDEX ix_joined_away_into_id ON joined_away (into_id);
CREATE INDEX ix_joined_away_code ON joined_away (code);
CREATE INDEX ix_moved_own_id ON moved (own_id);
CREATE INDEX ix_judged_again_visit_id ON judged_again (visit_id);
CREATE INDEX ix_kept_place_sorted ON kept_place (on_list, pressing, value);
CREATE INDEX ix_kept_place_since ON kept_place (on_list, since);
CREATE INDEX ix_woman_added_at ON woman (added_at);
CREATE INDEX ix_referral_opened_at ON referral (opened_at);
CREATE INDEX ix_referral_closed_at ON referral (closed_at);
CREATE INDEX ix_visit_month ON visit ("on", band);
CREATE INDEX ix_reading_month ON reading (taken_at, set_aside_at, source, refusal, lot_id, hb_g_dl);
CREATE INDEX ix_joined_visit_lead_id ON joined_visit (lead_id);
CREATE INDEX ix_reading_photo_sha256 ON reading (photo_sha256);
