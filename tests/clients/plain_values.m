function value = plain_values(value)
% For JSON: objects become structs, uint64 become doubles.
if isa(value, 'tallymark.Marker')
    names = {'number', 'request', 'code', 'width_us', 'tag', 'sent_s', 'held_back_s', ...
        'outcome', 'box_time_us', 'cut_lasted_us', 'delay_us', 'no_edge', 'text', ...
        'at_us', 'ahead_number', 'edge_s', 'edge_bound_s'};
    marker = value;
    value = struct();
    for k = 1:numel(names)
        value.(names{k}) = plain_values(marker.(names{k}));
    end
elseif isstruct(value)
    value = arrayfun(@plain_fields, value);
elseif iscell(value)
    value = cellfun(@plain_values, value, 'UniformOutput', false);
elseif isinteger(value)
    value = double(value);
end
end

function value = plain_fields(value)
names = fieldnames(value);
for k = 1:numel(names)
    value.(names{k}) = plain_values(value.(names{k}));
end
end
