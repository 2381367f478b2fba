-- A cell of a row in quarantine as it was received, by the column it was meant for: joined where a mapping joins several.
create or replace macro as_received(meant_for, headers, cells, read_as) as
    nullif(trim(array_to_string(list_transform(
        coalesce(
            nullif(json_extract_string(read_as, '$.source.columns.' || meant_for || '.columns[*]')::varchar[], []),
            [meant_for]
        ),
        lambda name: from_json(cells, '["VARCHAR"]')[list_position(
            list_transform(from_json(headers, '["VARCHAR"]'), lambda heading: lower(trim(heading))), lower(trim(name))
        )]
    ), ' ')), '');

-- assert
select as_received('loop_id', '["Job_ID", "LOOP_ID "]', '["J1", " L1"]', null) = 'L1';
select as_received('loop_id', '["job_id"]', '["J1"]', null) is null;
select as_received('reported_at', '["Day", "Hour"]', '["1.2.2025", "17:40"]',
    '{"source": {"columns": {"reported_at": {"columns": ["Day", "Hour"]}}}}') = '1.2.2025 17:40'
