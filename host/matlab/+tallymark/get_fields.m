function [values, used] = get_fields(fields, body)
%GET_FIELDS  The fields of a message's body as a struct; empty if the body is too short. What is
%   behind the fields that are known, a later version has put there.
%   fields: as in LAYOUTS. body: row of doubles. u64 come as uint64, other numbers as doubles.
%   used: how many bytes the fields took.
values = struct();
used = 0;
for k = 1:size(fields, 1)
    [value, bytes] = one(fields{k, 2}, body(used+1:end));
    if bytes < 0
        values = [];
        return
    end
    values.(fields{k, 1}) = value;
    used = used + bytes;
end
end

function [value, bytes] = one(type, rest)
% The value at the beginning of rest, and its length; -1 if rest is too short for it.
value = [];
switch type
    case 'u8',     bytes = 1;
    case 'u16',    bytes = 2;
    case 'u32',    bytes = 4;
    case 'u64',    bytes = 8;
    case 'three',  bytes = 3;
    case 'serial', bytes = 8;
    case 'text',   bytes = 16;
    case 'record', bytes = 50;
    case {'edges', 'probe_edges'}
        bytes = 10 * floor(numel(rest) / 10);
    case 'samples'
        bytes = 2 * floor(numel(rest) / 2);
end
if bytes > numel(rest)
    bytes = -1;
    return
end
rest = rest(1:bytes);
switch type
    case {'u8', 'u16', 'u32'}
        value = rest * 256 .^ (0:bytes-1).';
    case 'u64'
        value = typecast(uint8(rest), 'uint64');
    case 'three'
        value = rest;
    case 'serial'
        value = sprintf('%02x', rest);
    case 'text'
        value = char(rest(rest > 0));
    case 'record'
        value = tallymark.get_fields(tallymark.settings_fields(), rest);
    case 'edges'
        value = struct('time', {}, 'source', {}, 'levels', {});
        for at = 1:10:bytes
            value(end+1).time = typecast(uint8(rest(at:at+7)), 'uint64'); %#ok<AGROW>
            value(end).source = rest(at+8);
            value(end).levels = rest(at+9);
        end
    case 'probe_edges'
        value = struct('time', {}, 'source', {}, 'on', {});
        for at = 1:10:bytes
            value(end+1).time = typecast(uint8(rest(at:at+7)), 'uint64'); %#ok<AGROW>
            value(end).source = rest(at+8);
            value(end).on = rest(at+9);
        end
    case 'samples'
        value = rest(1:2:end) + 256 * rest(2:2:end);
end
end
