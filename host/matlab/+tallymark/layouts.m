function found = layouts(kind, name)
%LAYOUTS  How the messages of PROTOCOL.md, section 4, are built.
%   layouts('request', 'pulse') finds a message by its name, layouts(TYPE) by its number. It has
%   the fields kind, type, name, answer (type of the usual answer to a request) and fields: rows
%   of a name and how it is packed. Empty if there is no such message.
persistent table by_type
if isempty(table)
    table = make_table();
    by_type = cell(1, 256);
    for k = 1:numel(table)
        by_type{table(k).type + 1} = table(k);
    end
end
if nargin == 1
    found = by_type{kind + 1};
else
    found = table(strcmp({table.kind}, kind) & strcmp({table.name}, name));
end
end

function table = make_table()
none = {};
code = {'code', 'u8'};
time = {'time', 'u64'};
number = {'number', 'u32'};
asked = {'asked', 'u8'; 'outcome', 'u8'};
timed = {'kind', 'u8'; 'code', 'u8'; 'width', 'u32'; 'at', 'u32'; 'expiry', 'u32'};
noted = {'lasted', 'u32'; 'delay', 'u32'; 'notes', 'u8'};
edges = {'first', 'u32'; 'lost', 'u8'; 'edges', 'edges'};
probe_levels = {'on', 'u8'; 'low_a', 'u16'; 'high_a', 'u16'; 'low_b', 'u16'; 'high_b', 'u16'};
snippet = {'interval', 'u16'; 'taken', 'u16'; 'first', 'u16'; 'samples', 'samples'};
record = tallymark.settings_fields();
identity = {
    'major', 'u8'; 'minor', 'u8'; 'firmware', 'three'; 'board', 'u8'; 'serial', 'serial'
    'cause', 'u8'; 'newest_tag', 'u8'; 'window', 'u16'; 'history', 'u8'; 'longest_frame', 'u8'
    'steps', 'u16'; 'edges', 'u16'; 'least_width', 'u32'; 'longest_width', 'u32'; 'name', 'text'
    'session', 'u32'; 'capabilities', 'u16'; 'last_notice', 'u8'; 'places', 'u8'; 'least_lead', 'u16'};
counters = {
    'frames', 'u32'; 'frames_broken', 'u32'; 'refused', 'u32'; 'markers', 'u32'
    'bytes', 'u32'; 'edges_lost', 'u32'; 'messages_lost', 'u32'; 'input_lost', 'u32'
    'notices', 'u32'};
sequence = {
    'state', 'u8'; 'steps', 'u16'; 'repeats', 'u32'; 'played', 'u32'
    'started', 'u64'; 'ended', 'u64'};
table = [
    row('request', 1, 'identify', 131, {'major', 'u8'; 'minor', 'u8'})
    row('request', 2, 'clock', 128, none)
    row('request', 3, 'counters', 132, none)
    row('request', 4, 'levels', 133, none)
    row('request', 5, 'fate', 134, {'asked', 'u8'})
    row('request', 6, 'restart', 128, {'into', 'u8'})
    row('request', 7, 'session', 128, {'number', 'u32'})
    row('request', 8, 'fate_of_number', 134, number)
    row('request', 16, 'pulse', 128, code)
    row('request', 17, 'pulse_for', 128, [code; {'width', 'u32'}])
    row('request', 18, 'set', 128, code)
    row('request', 19, 'timed', 128, timed)
    row('request', 20, 'cancel', 128, number)
    row('request', 24, 'sequence_load', 128, [{'index', 'u16'}; code; {'hold', 'u32'}])
    row('request', 25, 'sequence_start', 128, {'repeats', 'u32'})
    row('request', 26, 'sequence_stop', 135, none)
    row('request', 27, 'sequence_state', 135, none)
    row('request', 28, 'sequence_start_at', 138, {'repeats', 'u32'; 'at', 'u32'})
    row('request', 32, 'capture_start', 128, {'mode', 'u8'})
    row('request', 33, 'capture_fetch', 136, {'first', 'u32'})
    row('request', 34, 'capture_stop', 128, none)
    row('request', 40, 'settings_read', 137, none)
    row('request', 41, 'settings_write', 128, record)
    row('request', 42, 'settings_keep', 128, none)
    row('request', 43, 'settings_factory', 128, none)
    row('request', 48, 'probe_levels', 139, none)
    row('request', 49, 'snippet_take', 128, {'input', 'u8'; 'every', 'u8'})
    row('request', 50, 'snippet_read', 140, {'first', 'u16'})
    row('answer', 128, 'done', 0, time)
    row('answer', 129, 'done_noted', 0, [time; noted])
    row('answer', 130, 'refused', 0, {'request', 'u8'; 'reason', 'u8'; 'detail', 'u32'})
    row('answer', 131, 'identity', 0, identity)
    row('answer', 132, 'counters', 0, [time; counters])
    row('answer', 133, 'levels', 0, [time; {'outputs', 'u8'; 'readback', 'u8'}])
    row('answer', 134, 'fate', 0, [asked; code; {'reason', 'u8'}; time; noted; number])
    row('answer', 135, 'sequence', 0, sequence)
    row('answer', 136, 'edges', 0, edges)
    row('answer', 137, 'settings', 0, {'origin', 'u8'; 'kept', 'u32'; 'record', 'record'})
    row('answer', 138, 'accepted', 0, number)
    row('answer', 139, 'probe_levels', 0, [time; probe_levels])
    row('answer', 140, 'snippet', 0, [time; snippet])
    row('notice', 192, 'started', 0, {'major', 'u8'; 'minor', 'u8'; 'cause', 'u8'})
    row('notice', 193, 'sequence_ended', 0, [time; {'played', 'u32'}])
    row('notice', 194, 'edges', 0, edges)
    row('notice', 195, 'byte_marker', 0, [time; {'byte', 'u8'; 'reason', 'u8'}; noted])
    row('notice', 196, 'hold_ended', 0, [time; code])
    row('notice', 197, 'marker_edge', 0, [number; time; noted; {'reason', 'u8'}])
    row('notice', 198, 'probe_edges', 0, {'lost', 'u8'; 'edges', 'probe_edges'})
    ];
end

function message = row(kind, type, name, answer, fields)
message = struct('kind', kind, 'type', type, 'name', name, 'answer', answer);
message.fields = fields;
end
