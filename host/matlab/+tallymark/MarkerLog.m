classdef MarkerLog < handle
%MARKERLOG  What was sent, when, and what the box answered, as protocol/MARKERLOG.md has it.
%   Each record is in the hands of the system before the program goes on: of a marker, before its frame
%   leaves. So a program that is killed has sent nothing that is not in its log. Markers go out also where
%   the log can't be written: a warning says so at once ('tallymark:log'), and the log itself as soon as
%   it can be written again. Times are in microseconds since the box was opened.
    properties (SetAccess = private)
        path
        lost = 0            % records that are missing in the file
    end
    properties (Access = private)
        file = -1           % -1: it can't be written
        is_open = true
        bytes = 0           % length of the file
        is_torn = false     % the file ends within a record
        octave
        born                % TIC of the opening of the box
        gap = 0             % records in a row that the file does not tell of yet ...
        gap_since_us = 0    % ... since when ...
        gap_restarted = false % ... and whether a start of the box is among them
        why = ''
    end
    methods
        function log = MarkerLog(path, born, identity, settings, events)
            %MARKERLOG  Begins a log, whose file must not exist yet: nothing is ever overwritten.
            %   identity, settings: as in the answers of the box. events: rows of a code and a name.
            log.path = path;
            log.born = born;
            log.octave = exist('OCTAVE_VERSION', 'builtin') ~= 0;
            if isfile(path) || isfolder(path)
                error('tallymark:log', ['%s: exists already, and a marker log is never ' ...
                    'overwritten. Nothing was sent. Choose another name.'], path);
            end
            header = log.header(identity, settings, events);
            if ~log.put(header)
                if isfile(path)
                    delete(path);  % so that the same name can be used again
                end
                error('tallymark:log', ['%s: the marker log can''t be written (%s). Nothing was ' ...
                    'sent. Choose another folder or disk, then start again.'], path, log.why);
            end
        end

        function sent(log, number, code, width_us)
            %SENT  A marker is about to be sent. width_us: in force; NaN for a code that stays, 0
            %   where it is not known.
            log.write('{"sent":%.0f,"code":%d%s,"host":%.0f}', number, code, ...
                width_or_stays(width_us), log.now_us());
        end

        function accepted(log, marker, clock)
            %ACCEPTED  The box has accepted a marker for its time.
            [host, known] = host_of(clock, marker.at_us);
            if known
                log.write('{"ahead":%.0f,"box":%.0f%s}', marker.number, marker.at_us, host);
            end
        end

        function done(log, marker, clock)
            %DONE  A marker went out.
            box_us = double(marker.box_time_us);
            [host, known] = host_of(clock, box_us);
            if ~known  % its edge was between sending and now
                sent_us = marker.sent_s * 1e6;
                host = sprintf(',"host":%.0f,"error":%.0f', (sent_us + log.now_us()) / 2, ...
                    ceil((log.now_us() - sent_us) / 2) + 1);
            end
            log.write('{"done":%.0f,"box":%.0f%s%s}', marker.number, box_us, host, ...
                notes(marker.cut_lasted_us, marker.told_delay_us, marker.no_edge));
        end

        function not_done(log, marker, why)
            %NOT_DONE  A marker is refused or unconfirmed. why: label of the reason, or a sentence.
            cut = NaN;
            if strcmp(marker.outcome, 'refused')
                cut = marker.cut_lasted_us;
            end
            log.write('{"%s":%.0f,"why":%s%s}', marker.outcome, marker.number, quoted(why), ...
                notes(cut, 0, false));
        end

        function byte(log, values, why, width_us, clock)
            %BYTE  A byte came in on the byte input. why: why it was refused; '': it went out.
            outcome = width_or_stays(width_us);
            if ~isempty(why)
                outcome = [',"refused":', quoted(why)];
            end
            cut = values.lasted;
            if cut == 2^32 - 1
                cut = NaN;
            end
            log.write('{"byte":%d%s,"box":%.0f%s%s}', values.byte, ...
                host_of(clock, double(values.time)), double(values.time), outcome, ...
                notes(cut, values.delay, mod(values.notes, 2) == 1));
        end

        function hold_ended(log, code, box_us, clock)
            %HOLD_ENDED  The box took a code to idle after its hold limit.
            log.write('{"hold_ended":%d,"box":%.0f%s}', code, box_us, host_of(clock, box_us));
        end

        function notices_lost(log, count)
            %NOTICES_LOST  So many messages of the box did not arrive.
            log.write('{"notices_lost":%.0f,"host":%.0f}', count, log.now_us());
        end

        function restarted(log, cause)
            %RESTARTED  The box started again, and its time began at 0.
            causes = {'power', 'reset pin', 'watchdog', 'brown-out', 'asked', 'unknown'};
            log.write('{"restart":"%s","host":%.0f}', causes{max(1, min(6, cause))}, log.now_us());
        end

        function note(log, text)
            %NOTE  A sentence on what went wrong beside the markers.
            log.write('{"note":%s,"host":%.0f}', quoted(text), log.now_us());
        end

        function close(log)
            %CLOSE  Ends the log. May be called twice. Error tallymark:log if it lacks records.
            if ~log.is_open
                return
            end
            log.write('{"end":%.0f}', log.now_us());
            log.is_open = false;
            log.let_go();
            if log.lost > 0
                error('tallymark:log', ['%s: the marker log is incomplete: %d of its records could ' ...
                    'not be written (%s). Markers went to the box all the same, so the recording ' ...
                    'may hold some that the log lacks. Keep the recording, and free some space or ' ...
                    'choose another disk before the next run.'], log.path, log.lost, log.why);
            end
        end
    end

    methods (Access = private)
        function time_us = now_us(log)
            time_us = round(toc(log.born) * 1e6);
        end

        function line = header(log, identity, settings, events)
            boards = {'virtual', 'nano', 'pico'};
            board = '';
            if any(identity.board == 1:3)
                board = boards{identity.board};
            end
            modes = {'off', 'pulse', 'set', 'limited'};
            line = sprintf(['{"marker_log":1,"start":"%s","host":%.0f,"box":{"serial":"%s",' ...
                '"name":%s,"board":"%s","firmware":"%d.%d.%d","protocol":"%d.%d"},"settings":{'], ...
                date_now(log.octave), log.now_us(), upper(identity.serial), quoted(identity.name), ...
                board, identity.firmware, identity.major, identity.minor);
            if ~isempty(settings)
                line = [line, sprintf(['"name":%s,"width_us":%.0f,"gap_us":%.0f,"hold_limit_us":%.0f,' ...
                    '"byte_baud":%.0f,"lines":%d,"idle":"%s","overlap":"%s","byte_mode":"%s",' ...
                    '"strobe":%d,"strobe_lead_us":%d,"strobe_hold_us":%d,%s'], ...
                    quoted(settings.name), settings.width, settings.gap, settings.hold_limit, ...
                    settings.byte_baud, settings.lines, choice(settings.idle, 'low', 'high'), ...
                    choice(settings.overlap, 'cut', 'refuse'), modes{mod(settings.byte_mode, 4) + 1}, ...
                    settings.strobe, settings.strobe_lead, settings.strobe_hold, probes(settings))];
            end
            if isempty(events)
                line = [line, '},"plan":null}'];
                return
            end
            names = cell(1, size(events, 1));
            for k = 1:size(events, 1)
                names{k} = sprintf('"%d":%s', events{k, 1}, quoted(events{k, 2}));
            end
            line = [line, '},"plan":{"name":null,"digest":null,"events":{', strjoin(names, ','), '}}}'];
        end

        function write(log, format, varargin)
            % Writes a record. What can't be written is counted and told.
            if ~log.is_open
                return
            end
            if log.gap > 0
                log.resume();
            end
            line = sprintf(format, varargin{:});
            if log.gap > 0 || ~log.put(line)
                log.lose(line);
            end
        end

        function lose(log, line)
            log.lost = log.lost + 1;
            log.gap = log.gap + 1;
            log.gap_restarted = log.gap_restarted || strncmp(line, '{"restart"', 10);
            if log.gap == 1
                log.gap_since_us = log.now_us();
                warning('tallymark:log', ['%s: the marker log can''t be written (%s). Markers still ' ...
                    'go to the box, but they are not in the log until it can be written again: only ' ...
                    'the recording will hold them. Free some space on that disk, or make it ' ...
                    'reachable again, now.'], log.path, log.why);
            end
        end

        function resume(log)
            % Tries to note in the file what it lacks.
            restarted = '';
            if log.gap_restarted
                restarted = ',"restarted":true';
            end
            if log.put(sprintf('{"lost":%d,"since":%.0f,"host":%.0f,"why":%s%s}', log.gap, ...
                    log.gap_since_us, log.now_us(), quoted(log.why), restarted))
                count = log.gap;
                log.gap = 0;
                log.gap_restarted = false;
                warning('tallymark:log', ['%s: the marker log can be written again. %d of its ' ...
                    'records are missing in it, and the log says so.'], log.path, count);
            end
        end

        function is_written = put(log, line)
            % Hands a record to the system. Octave says nothing of what the system did not take, so
            % that the length of the file has to tell.
            is_written = false;
            if log.file < 0
                [log.file, message] = fopen(log.path, 'a');
                if log.file < 0
                    log.why = message;
                    return
                end
                fseek(log.file, 0, 'eof');
                log.bytes = ftell(log.file);
            end
            data = utf8([line, sprintf('\n')], log.octave);
            if log.is_torn
                data = [10, data];
            end
            fwrite(log.file, data, 'uint8');
            if log.octave
                fflush(log.file);  % MATLAB does so by itself where a file was opened with 'a'
            end
            if ftell(log.file) ~= log.bytes + numel(data)
                log.why = 'the system did not take a record, or only a part; the disk may be full';
                log.let_go();
                log.is_torn = ends_torn(log.path);
                return
            end
            log.bytes = log.bytes + numel(data);
            log.is_torn = false;
            is_written = true;
        end

        function let_go(log)
            if log.file >= 0
                fclose(log.file);
                log.file = -1;
            end
        end
    end
end

function text = probes(settings)
% How each probe is watched (PROTOCOL.md, 6.3), as in the log of every client.
bits = double(settings.probes);
text = sprintf(['"light":"%s","sound":"%s","ttl":"%s","light_threshold":%d,"light_hysteresis":%d,' ...
    '"sound_threshold":%d,"sound_hysteresis":%d'], ...
    named(bitand(bits, 69), [1, 65, 4], {'level', 'steady', 'edge'}), ...
    named(bitand(bits, 10), [2, 8], {'level', 'edge'}), ...
    named(bitand(bits, 48), [16, 48], {'high', 'low'}), ...
    settings.threshold_a, settings.hysteresis_a, settings.threshold_b, settings.hysteresis_b);
end

function word = named(bits, values, words)
% The word of these bits; bits of a later version are off.
word = 'off';
if any(values == bits)
    word = words{values == bits};
end
end

function data = utf8(text, octave)
% The bytes of a text. Octave's characters are bytes of UTF-8 already.
if octave
    data = uint8(text);
else
    data = unicode2native(text, 'UTF-8');
end
end

function is_torn = ends_torn(path)
% Whether the last byte of a file is no line feed.
is_torn = false;
file = fopen(path, 'r');
if file >= 0
    if fseek(file, -1, 'eof') == 0
        is_torn = fread(file, 1) ~= 10;
    end
    fclose(file);
end
end

function [text, is_known] = host_of(clock, box_us)
% Host time of a box time and its bound; null before the clocks were compared.
[time_s, bound_s] = clock.to_host(box_us);
is_known = ~isnan(time_s);
text = ',"host":null,"error":null';
if is_known
    text = sprintf(',"host":%.0f,"error":%.0f', time_s * 1e6, ceil(bound_s * 1e6) + 1);
end
end

function text = width_or_stays(width_us)
if isnan(width_us)
    text = ',"stays":true';
elseif width_us == 0
    text = ',"width":null';
else
    text = sprintf(',"width":%.0f', width_us);
end
end

function text = notes(cut_us, delay_us, no_edge)
text = '';
if ~isnan(cut_us)
    text = sprintf(',"cut":%.0f', cut_us);
end
if delay_us > 0
    text = [text, sprintf(',"delay":%.0f', delay_us)];
end
if no_edge
    text = [text, ',"no_edge":true'];
end
end

function word = choice(value, first, second)
word = first;
if value ~= 0
    word = second;
end
end

function text = quoted(text)
% A text in JSON.
text = strrep(strrep(char(text), '\', '\\'), '"', '\"');
for letter = text(text < 32)  % one that comes twice is replaced by then
    text = strrep(text, letter, sprintf('\\u%04x', double(letter)));
end
text = ['"', text, '"'];
end

function text = date_now(octave)
% Date and time, ISO 8601 with offset.
if octave
    now_s = time();
    text = [strftime('%Y-%m-%dT%H:%M:%S', gmtime(now_s)), ...
        sprintf('.%06d+00:00', floor(mod(now_s, 1) * 1e6))];
else
    text = [char(datetime('now', 'TimeZone', 'UTC', 'Format', 'yyyy-MM-dd''T''HH:mm:ss.SSSSSS')), '+00:00'];
end
end
