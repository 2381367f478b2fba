-- One row is a section of the plan.
-- Reads: planned, staging.sections, staging.loops, staging.terminals
-- Key: section_id
-- Units: those of the coordinates, as loaded
-- Why: who plans the work asks for district, cable and terminals; a section whose ends are not on the map stays in the list
select
    planned.section_id,
    loops.district_id,
    sections.cable_class,
    sections.from_terminal_id,
    sections.to_terminal_id,
    from_end.x as x_from,
    from_end.y as y_from,
    to_end.x as x_to,
    to_end.y as y_to
from planned
-- unique by their ids: no row multiplies
inner join staging.sections as sections on sections.section_id = planned.section_id
left join staging.loops as loops on loops.loop_id = sections.loop_id
left join staging.terminals as from_end on from_end.terminal_id = sections.from_terminal_id
left join staging.terminals as to_end on to_end.terminal_id = sections.to_terminal_id
