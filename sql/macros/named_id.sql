-- The id under which jobs name a section: an earlier cable under an id is called by it and the day it was taken out.
create or replace macro named_id(section_id) as
    regexp_replace(section_id, '@[0-9]{4}-[0-9]{2}-[0-9]{2}$', '');

-- assert
select named_id('S1@2015-06-01') = 'S1';
select named_id('S@1') = 'S@1';
select named_id(null::varchar) is null
