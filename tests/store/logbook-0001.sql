-- A logbook as revision 0001 wrote it; its signing key is for this test only.
BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0001');
CREATE TABLE change (
	id VARCHAR NOT NULL, 
	device VARCHAR NOT NULL, 
	seq INTEGER NOT NULL, 
	stamp VARCHAR NOT NULL, 
	"table" VARCHAR NOT NULL, 
	row_id VARCHAR NOT NULL, 
	columns JSON NOT NULL, 
	CONSTRAINT pk_change PRIMARY KEY (id), 
	CONSTRAINT uq_change_device UNIQUE (device, seq)
);
INSERT INTO "change" VALUES('ea1c2369-5567-4627-b7b7-29efd03d1b0c','2ffdd9dc-9b16-467b-bea6-a9d4b18d2519',1,'2026-04-24T03:06:40.000Z-00000-2ffdd9dc','farm','0123c632-b9ed-4f05-b578-fc86434072c3','{"name": "Three Poplars", "timezone": "America/Denver", "units": "us", "fuel_price_per_l": null}');
INSERT INTO "change" VALUES('4b0e20a0-1257-47fe-adf1-7348ed2569ee','2ffdd9dc-9b16-467b-bea6-a9d4b18d2519',2,'2026-04-24T03:06:41.000Z-00000-2ffdd9dc','operator','a399f531-c34e-4eee-9d45-7ed81a4b0ae7','{"name": "Ada", "phone": null, "rate_per_h": null}');
INSERT INTO "change" VALUES('2c79f536-2c0a-44d4-ada0-206871ab3b57','2ffdd9dc-9b16-467b-bea6-a9d4b18d2519',3,'2026-04-24T03:06:42.000Z-00000-2ffdd9dc','tractor','7e0dc71e-737a-436c-adc9-8a64dd4082b2','{"name": "the red one", "tank_l": 600.0, "cost_per_h": null}');
INSERT INTO "change" VALUES('7c166f54-f276-4125-b83f-8bd14bf9f9a8','2ffdd9dc-9b16-467b-bea6-a9d4b18d2519',4,'2026-04-24T03:06:43.000Z-00000-2ffdd9dc','tool','34fdebf1-fad1-4449-9bf3-4b74a9b05a39','{"name": "land roller", "operation": "rolling", "width_m": 12.8, "towed": true, "grease_every_h": null}');
INSERT INTO "change" VALUES('14101444-c1b0-4d61-a8cc-3f280c0ffa9c','2ffdd9dc-9b16-467b-bea6-a9d4b18d2519',5,'2026-04-24T03:06:44.000Z-00000-2ffdd9dc','hitching','bd3a2167-c00f-433a-8e3c-11048ee59068','{"tractor_id": "7e0dc71e-737a-436c-adc9-8a64dd4082b2", "tool_id": "34fdebf1-fad1-4449-9bf3-4b74a9b05a39", "hitch_to_line_m": 3.0, "width_m": 12.8, "antenna_to_hitch_m": 0.0, "side_m": 0.0}');
INSERT INTO "change" VALUES('fec35e52-6ef2-47af-9084-d7fb852a5e4f','2ffdd9dc-9b16-467b-bea6-a9d4b18d2519',6,'2026-04-24T03:06:45.000Z-00000-2ffdd9dc','field','870cdd44-2172-4fb4-8b5d-f59e67ecbeff','{"name": "North", "boundary": {"type": "Polygon", "coordinates": [[[-105, 49], [-104.99, 49], [-104.99, 49.01], [-105, 49]]]}, "crop": null, "target": 2, "once_only": null, "gate_lat": null, "gate_lon": null}');
INSERT INTO "change" VALUES('646af288-15d6-4c52-ae3e-b0cc2fc67f12','2ffdd9dc-9b16-467b-bea6-a9d4b18d2519',7,'2026-04-24T03:06:46.000Z-00000-2ffdd9dc','field','870cdd44-2172-4fb4-8b5d-f59e67ecbeff','{"crop": "lentils"}');
INSERT INTO "change" VALUES('367c7597-e820-4699-bca2-c7a7063344ad','2ffdd9dc-9b16-467b-bea6-a9d4b18d2519',8,'2026-04-24T03:06:47.000Z-00000-2ffdd9dc','job','38ffda8d-a50e-5daa-a9cc-60a188f37250','{"field_id": "870cdd44-2172-4fb4-8b5d-f59e67ecbeff", "operation": "rolling", "season": 2026, "target": 2}');
CREATE TABLE correction (
	id VARCHAR NOT NULL, 
	device VARCHAR NOT NULL, 
	seq INTEGER NOT NULL, 
	stamp VARCHAR NOT NULL, 
	corrects_table VARCHAR NOT NULL, 
	corrects_id VARCHAR NOT NULL, 
	operator_id VARCHAR, 
	at FLOAT NOT NULL, 
	reason VARCHAR NOT NULL, 
	detail JSON, 
	CONSTRAINT pk_correction PRIMARY KEY (id), 
	CONSTRAINT fk_correction_operator_id FOREIGN KEY(operator_id) REFERENCES operator (id), 
	CONSTRAINT uq_correction_device UNIQUE (device, seq)
);
CREATE TABLE farm (
	id VARCHAR NOT NULL, 
	device VARCHAR NOT NULL, 
	seq INTEGER NOT NULL, 
	stamp VARCHAR NOT NULL, 
	name VARCHAR NOT NULL, 
	timezone VARCHAR NOT NULL, 
	units VARCHAR NOT NULL, 
	fuel_price_per_l FLOAT, 
	CONSTRAINT pk_farm PRIMARY KEY (id), 
	CONSTRAINT uq_farm_device UNIQUE (device, seq)
);
INSERT INTO "farm" VALUES('0123c632-b9ed-4f05-b578-fc86434072c3','2ffdd9dc-9b16-467b-bea6-a9d4b18d2519',1,'2026-04-24T03:06:40.000Z-00000-2ffdd9dc','Three Poplars','America/Denver','us',NULL);
CREATE TABLE field (
	id VARCHAR NOT NULL, 
	device VARCHAR NOT NULL, 
	seq INTEGER NOT NULL, 
	stamp VARCHAR NOT NULL, 
	name VARCHAR NOT NULL, 
	boundary JSON, 
	crop VARCHAR, 
	target INTEGER NOT NULL, 
	once_only JSON, 
	gate_lat FLOAT, 
	gate_lon FLOAT, 
	CONSTRAINT pk_field PRIMARY KEY (id), 
	CONSTRAINT uq_field_device UNIQUE (device, seq)
);
INSERT INTO "field" VALUES('870cdd44-2172-4fb4-8b5d-f59e67ecbeff','2ffdd9dc-9b16-467b-bea6-a9d4b18d2519',6,'2026-04-24T03:06:45.000Z-00000-2ffdd9dc','North','{"type": "Polygon", "coordinates": [[[-105, 49], [-104.99, 49], [-104.99, 49.01], [-105, 49]]]}','lentils',2,NULL,NULL,NULL);
CREATE TABLE fuel_entry (
	id VARCHAR NOT NULL, 
	device VARCHAR NOT NULL, 
	seq INTEGER NOT NULL, 
	stamp VARCHAR NOT NULL, 
	tractor_id VARCHAR NOT NULL, 
	stint_id VARCHAR, 
	at FLOAT NOT NULL, 
	litres FLOAT NOT NULL, 
	price_per_l FLOAT, 
	CONSTRAINT pk_fuel_entry PRIMARY KEY (id), 
	CONSTRAINT fk_fuel_entry_stint_id FOREIGN KEY(stint_id) REFERENCES stint (id), 
	CONSTRAINT fk_fuel_entry_tractor_id FOREIGN KEY(tractor_id) REFERENCES tractor (id), 
	CONSTRAINT uq_fuel_entry_device UNIQUE (device, seq)
);
CREATE TABLE hand_over (
	id VARCHAR NOT NULL, 
	device VARCHAR NOT NULL, 
	seq INTEGER NOT NULL, 
	stamp VARCHAR NOT NULL, 
	job_id VARCHAR NOT NULL, 
	stint_id VARCHAR NOT NULL, 
	at FLOAT NOT NULL, 
	state VARCHAR NOT NULL, 
	left_for BOOLEAN NOT NULL, 
	sheet JSON NOT NULL, 
	next_lat FLOAT, 
	next_lon FLOAT, 
	CONSTRAINT pk_hand_over PRIMARY KEY (id), 
	CONSTRAINT fk_hand_over_job_id FOREIGN KEY(job_id) REFERENCES job (id), 
	CONSTRAINT fk_hand_over_stint_id FOREIGN KEY(stint_id) REFERENCES stint (id), 
	CONSTRAINT uq_hand_over_device UNIQUE (device, seq)
);
CREATE TABLE hand_over_receipt (
	id VARCHAR NOT NULL, 
	device VARCHAR NOT NULL, 
	seq INTEGER NOT NULL, 
	stamp VARCHAR NOT NULL, 
	hand_over_id VARCHAR NOT NULL, 
	operator_id VARCHAR NOT NULL, 
	at FLOAT NOT NULL, 
	pointed_lat FLOAT, 
	pointed_lon FLOAT, 
	metres_off FLOAT, 
	agreed BOOLEAN NOT NULL, 
	CONSTRAINT pk_hand_over_receipt PRIMARY KEY (id), 
	CONSTRAINT fk_hand_over_receipt_hand_over_id FOREIGN KEY(hand_over_id) REFERENCES hand_over (id), 
	CONSTRAINT fk_hand_over_receipt_operator_id FOREIGN KEY(operator_id) REFERENCES operator (id), 
	CONSTRAINT uq_hand_over_receipt_device UNIQUE (device, seq)
);
CREATE TABLE hitching (
	id VARCHAR NOT NULL, 
	device VARCHAR NOT NULL, 
	seq INTEGER NOT NULL, 
	stamp VARCHAR NOT NULL, 
	tractor_id VARCHAR NOT NULL, 
	tool_id VARCHAR NOT NULL, 
	antenna_to_hitch_m FLOAT NOT NULL, 
	hitch_to_line_m FLOAT NOT NULL, 
	side_m FLOAT NOT NULL, 
	width_m FLOAT NOT NULL, 
	CONSTRAINT pk_hitching PRIMARY KEY (id), 
	CONSTRAINT fk_hitching_tool_id FOREIGN KEY(tool_id) REFERENCES tool (id), 
	CONSTRAINT fk_hitching_tractor_id FOREIGN KEY(tractor_id) REFERENCES tractor (id), 
	CONSTRAINT uq_hitching_device UNIQUE (device, seq)
);
INSERT INTO "hitching" VALUES('bd3a2167-c00f-433a-8e3c-11048ee59068','2ffdd9dc-9b16-467b-bea6-a9d4b18d2519',5,'2026-04-24T03:06:44.000Z-00000-2ffdd9dc','7e0dc71e-737a-436c-adc9-8a64dd4082b2','34fdebf1-fad1-4449-9bf3-4b74a9b05a39',0.0,3.0,0.0,12.8);
CREATE TABLE job (
	id VARCHAR NOT NULL, 
	device VARCHAR NOT NULL, 
	seq INTEGER NOT NULL, 
	stamp VARCHAR NOT NULL, 
	field_id VARCHAR NOT NULL, 
	operation VARCHAR NOT NULL, 
	season INTEGER NOT NULL, 
	target INTEGER NOT NULL, 
	CONSTRAINT pk_job PRIMARY KEY (id), 
	CONSTRAINT fk_job_field_id FOREIGN KEY(field_id) REFERENCES field (id), 
	CONSTRAINT uq_job_device UNIQUE (device, seq)
);
INSERT INTO "job" VALUES('38ffda8d-a50e-5daa-a9cc-60a188f37250','2ffdd9dc-9b16-467b-bea6-a9d4b18d2519',8,'2026-04-24T03:06:47.000Z-00000-2ffdd9dc','870cdd44-2172-4fb4-8b5d-f59e67ecbeff','rolling',2026,2);
CREATE TABLE mark (
	id VARCHAR NOT NULL, 
	device VARCHAR NOT NULL, 
	seq INTEGER NOT NULL, 
	stamp VARCHAR NOT NULL, 
	field_id VARCHAR, 
	stint_id VARCHAR, 
	kind VARCHAR NOT NULL, 
	lat FLOAT, 
	lon FLOAT, 
	at FLOAT NOT NULL, 
	note VARCHAR, 
	CONSTRAINT pk_mark PRIMARY KEY (id), 
	CONSTRAINT fk_mark_field_id FOREIGN KEY(field_id) REFERENCES field (id), 
	CONSTRAINT fk_mark_stint_id FOREIGN KEY(stint_id) REFERENCES stint (id), 
	CONSTRAINT uq_mark_device UNIQUE (device, seq)
);
INSERT INTO "mark" VALUES('1a6f8ae7-51ab-4c18-b296-3262c4b2b092','2ffdd9dc-9b16-467b-bea6-a9d4b18d2519',12,'2026-04-24T03:06:51.000Z-00000-2ffdd9dc','870cdd44-2172-4fb4-8b5d-f59e67ecbeff','af94032c-e675-4613-b345-bdbc3ebead2c','rock',49.001,-104.999,1777000030.0,NULL);
CREATE TABLE operator (
	id VARCHAR NOT NULL, 
	device VARCHAR NOT NULL, 
	seq INTEGER NOT NULL, 
	stamp VARCHAR NOT NULL, 
	name VARCHAR NOT NULL, 
	phone VARCHAR, 
	rate_per_h FLOAT, 
	CONSTRAINT pk_operator PRIMARY KEY (id), 
	CONSTRAINT uq_operator_device UNIQUE (device, seq)
);
INSERT INTO "operator" VALUES('a399f531-c34e-4eee-9d45-7ed81a4b0ae7','2ffdd9dc-9b16-467b-bea6-a9d4b18d2519',2,'2026-04-24T03:06:41.000Z-00000-2ffdd9dc','Ada',NULL,NULL);
CREATE TABLE own (
	device VARCHAR NOT NULL, 
	name VARCHAR NOT NULL, 
	private_key BLOB NOT NULL, 
	next_seq INTEGER NOT NULL, 
	stamp VARCHAR NOT NULL, 
	CONSTRAINT pk_own PRIMARY KEY (device)
);
INSERT INTO "own" VALUES('2ffdd9dc-9b16-467b-bea6-a9d4b18d2519','tablet 1',X'27D612222DDD8BF4CA1F4A3DC554B7ABCC3141DACB26F2C91FF54517ABFDADC4',14,'2026-04-24T03:06:52.000Z-00000-2ffdd9dc');
CREATE TABLE peer (
	device VARCHAR NOT NULL, 
	name VARCHAR NOT NULL, 
	public_key BLOB, 
	CONSTRAINT pk_peer PRIMARY KEY (device)
);
CREATE TABLE stint (
	id VARCHAR NOT NULL, 
	device VARCHAR NOT NULL, 
	seq INTEGER NOT NULL, 
	stamp VARCHAR NOT NULL, 
	job_id VARCHAR NOT NULL, 
	operator_id VARCHAR NOT NULL, 
	tractor_id VARCHAR NOT NULL, 
	tool_id VARCHAR NOT NULL, 
	width_m FLOAT NOT NULL, 
	hitch_to_line_m FLOAT NOT NULL, 
	antenna_to_hitch_m FLOAT NOT NULL, 
	side_m FLOAT NOT NULL, 
	receiver VARCHAR, 
	at FLOAT NOT NULL, 
	CONSTRAINT pk_stint PRIMARY KEY (id), 
	CONSTRAINT fk_stint_job_id FOREIGN KEY(job_id) REFERENCES job (id), 
	CONSTRAINT fk_stint_operator_id FOREIGN KEY(operator_id) REFERENCES operator (id), 
	CONSTRAINT fk_stint_tool_id FOREIGN KEY(tool_id) REFERENCES tool (id), 
	CONSTRAINT fk_stint_tractor_id FOREIGN KEY(tractor_id) REFERENCES tractor (id), 
	CONSTRAINT uq_stint_device UNIQUE (device, seq)
);
INSERT INTO "stint" VALUES('af94032c-e675-4613-b345-bdbc3ebead2c','2ffdd9dc-9b16-467b-bea6-a9d4b18d2519',9,'2026-04-24T03:06:48.000Z-00000-2ffdd9dc','38ffda8d-a50e-5daa-a9cc-60a188f37250','a399f531-c34e-4eee-9d45-7ed81a4b0ae7','7e0dc71e-737a-436c-adc9-8a64dd4082b2','34fdebf1-fad1-4449-9bf3-4b74a9b05a39',12.8,0.0,0.0,0.0,NULL,1777000000.0);
CREATE TABLE tap (
	id VARCHAR NOT NULL, 
	device VARCHAR NOT NULL, 
	seq INTEGER NOT NULL, 
	stamp VARCHAR NOT NULL, 
	stint_id VARCHAR NOT NULL, 
	kind VARCHAR NOT NULL, 
	at FLOAT NOT NULL, 
	reason VARCHAR, 
	lat FLOAT, 
	lon FLOAT, 
	detail JSON, 
	CONSTRAINT pk_tap PRIMARY KEY (id), 
	CONSTRAINT fk_tap_stint_id FOREIGN KEY(stint_id) REFERENCES stint (id), 
	CONSTRAINT uq_tap_device UNIQUE (device, seq)
);
INSERT INTO "tap" VALUES('890b5259-c712-4096-b0da-b023621f8fa9','2ffdd9dc-9b16-467b-bea6-a9d4b18d2519',10,'2026-04-24T03:06:49.000Z-00000-2ffdd9dc','af94032c-e675-4613-b345-bdbc3ebead2c','start',1777000001.0,NULL,NULL,NULL,NULL);
INSERT INTO "tap" VALUES('629daf1d-f952-4b0a-b2f8-a77ad0be03b8','2ffdd9dc-9b16-467b-bea6-a9d4b18d2519',11,'2026-04-24T03:06:50.000Z-00000-2ffdd9dc','af94032c-e675-4613-b345-bdbc3ebead2c','stop',1777000060.0,'fuel',NULL,NULL,'{"tank": 0.1}');
CREATE TABLE tool (
	id VARCHAR NOT NULL, 
	device VARCHAR NOT NULL, 
	seq INTEGER NOT NULL, 
	stamp VARCHAR NOT NULL, 
	name VARCHAR NOT NULL, 
	operation VARCHAR NOT NULL, 
	width_m FLOAT NOT NULL, 
	towed BOOLEAN NOT NULL, 
	grease_every_h FLOAT, 
	CONSTRAINT pk_tool PRIMARY KEY (id), 
	CONSTRAINT uq_tool_device UNIQUE (device, seq)
);
INSERT INTO "tool" VALUES('34fdebf1-fad1-4449-9bf3-4b74a9b05a39','2ffdd9dc-9b16-467b-bea6-a9d4b18d2519',4,'2026-04-24T03:06:43.000Z-00000-2ffdd9dc','land roller','rolling',12.8,1,NULL);
CREATE TABLE trace_chunk (
	id VARCHAR NOT NULL, 
	device VARCHAR NOT NULL, 
	seq INTEGER NOT NULL, 
	stamp VARCHAR NOT NULL, 
	stint_id VARCHAR NOT NULL, 
	n INTEGER NOT NULL, 
	first_at FLOAT NOT NULL, 
	last_at FLOAT NOT NULL, 
	count INTEGER NOT NULL, 
	packed BLOB NOT NULL, 
	CONSTRAINT pk_trace_chunk PRIMARY KEY (id), 
	CONSTRAINT fk_trace_chunk_stint_id FOREIGN KEY(stint_id) REFERENCES stint (id), 
	CONSTRAINT uq_trace_chunk_device UNIQUE (device, seq)
);
INSERT INTO "trace_chunk" VALUES('cec4abde-6818-4d7f-acc8-8393f3c320e0','2ffdd9dc-9b16-467b-bea6-a9d4b18d2519',13,'2026-04-24T03:06:52.000Z-00000-2ffdd9dc','af94032c-e675-4613-b345-bdbc3ebead2c',0,1777000000.0,1777000002.9,30,X'525401031E78DA6B38F2EDF76AAED787BFFD5ECDC5800734EC5A7699F9F5CE659799F1A9FAFF72ED4BF686576B5FB2E35395864F9201AF331800034F1511');
CREATE TABLE trace_tail (
	stint_id VARCHAR NOT NULL, 
	n INTEGER NOT NULL, 
	packed BLOB NOT NULL, 
	CONSTRAINT pk_trace_tail PRIMARY KEY (stint_id, n), 
	CONSTRAINT fk_trace_tail_stint_id FOREIGN KEY(stint_id) REFERENCES stint (id)
);
INSERT INTO "trace_tail" VALUES('af94032c-e675-4613-b345-bdbc3ebead2c',30,X'525401060A78DABB71E2DBEFD55C874F7CFBBD9A8B010F60C2C20200D23F087C');
CREATE TABLE tractor (
	id VARCHAR NOT NULL, 
	device VARCHAR NOT NULL, 
	seq INTEGER NOT NULL, 
	stamp VARCHAR NOT NULL, 
	name VARCHAR NOT NULL, 
	tank_l FLOAT, 
	cost_per_h FLOAT, 
	CONSTRAINT pk_tractor PRIMARY KEY (id), 
	CONSTRAINT uq_tractor_device UNIQUE (device, seq)
);
INSERT INTO "tractor" VALUES('7e0dc71e-737a-436c-adc9-8a64dd4082b2','2ffdd9dc-9b16-467b-bea6-a9d4b18d2519',3,'2026-04-24T03:06:42.000Z-00000-2ffdd9dc','the red one',600.0,NULL);
CREATE INDEX ix_change_row_id ON change (row_id);
CREATE INDEX ix_change_stamp ON change (stamp);
CREATE INDEX ix_farm_stamp ON farm (stamp);
CREATE INDEX ix_field_stamp ON field (stamp);
CREATE INDEX ix_operator_stamp ON operator (stamp);
CREATE INDEX ix_tool_stamp ON tool (stamp);
CREATE INDEX ix_tractor_stamp ON tractor (stamp);
CREATE INDEX ix_correction_corrects_id ON correction (corrects_id);
CREATE INDEX ix_correction_stamp ON correction (stamp);
CREATE INDEX ix_hitching_stamp ON hitching (stamp);
CREATE INDEX ix_job_field_id ON job (field_id);
CREATE INDEX ix_job_stamp ON job (stamp);
CREATE INDEX ix_stint_job_id ON stint (job_id);
CREATE INDEX ix_stint_stamp ON stint (stamp);
CREATE INDEX ix_fuel_entry_stamp ON fuel_entry (stamp);
CREATE INDEX ix_hand_over_job_id ON hand_over (job_id);
CREATE INDEX ix_hand_over_stamp ON hand_over (stamp);
CREATE INDEX ix_mark_field_id ON mark (field_id);
CREATE INDEX ix_mark_stamp ON mark (stamp);
CREATE INDEX ix_tap_stamp ON tap (stamp);
CREATE INDEX ix_tap_stint_id ON tap (stint_id);
CREATE INDEX ix_trace_chunk_stamp ON trace_chunk (stamp);
CREATE INDEX ix_trace_chunk_stint_id ON trace_chunk (stint_id);
CREATE INDEX ix_hand_over_receipt_hand_over_id ON hand_over_receipt (hand_over_id);
CREATE INDEX ix_hand_over_receipt_stamp ON hand_over_receipt (stamp);
COMMIT;
