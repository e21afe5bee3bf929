classdef Box < handle
%BOX  A marker box that is open.
%
%   box = tallymark.Box('/dev/ttyACM0') opens the box on a serial port ('COM3' on Windows);
%   box = tallymark.Box('socket://HOST:PORT') one that a program serves. It is identified (6 s at
%   most: some boards restart when they are opened). Errors: tallymark:open, tallymark:nobox,
%   tallymark:version.
%
%   box = tallymark.Box(where, 'log', 'session.jsonl')   keeps a marker log in that file, which must
%   not exist yet: each marker is noted before it leaves. 'events', {17, 'ferry'; 96, 'landed'} gives
%   names of codes to it. Errors: tallymark:log.
%
%   marker = box.pulse(code)            a code out now, for the width of the settings
%   marker = box.pulse(code, width_us)  ... for a width of its own
%   marker = box.set(code)              a code that stays until the next; 0 is idle
%   ... = box.pulse(code, width_us, expiry_us), box.set(code, expiry_us)   ... but not after that
%                                       box time
%   ... = box.pulse(code, width_us, 'after_s', 0.5), box.set(code, 'at_s', time_s)   a marker ahead,
%                                       which the box puts out by its own timer; see help of PULSE
%   box.cancel(marker), box.cancel()    takes back one marker ahead, or all
%   box.sync_clock(), to_host, to_box   box time and the time of this computer
%   box.wait(marker)                    waits until the box has said what became of it
%   failed = box.wait()                 waits for all; markers that are not done, as a cell row
%   box.collect()                       takes in answers that have come, in a moment of leisure
%   box.sequence(steps, repeats), sequence_state, sequence_stop, sequence_wait
%   box.sequence(steps, repeats, 'after_s', 0.5)   a start ahead of its time; see help of SEQUENCE
%   box.levels(), clock(), counters(), settings(), ignored(), selftest(), close()
%
%   A marker is sent at most once. One that is refused or unconfirmed is told by a warning
%   ('tallymark:refused', 'tallymark:unconfirmed') when the box object learns of it.
%   All box times are uint64 microseconds since the start of the box.
    properties (SetAccess = private)
        where       % what was opened
    end
    properties (Dependent)
        identity    % what the box said of itself: serial, name, window, steps ...
        opened      % TIC of the opening: sent_s is the toc(box.opened) of that moment
    end
    properties (Access = private)
        link
    end

    methods
        function box = Box(where, varargin)
            %BOX  Opens a box. Names and values: 'log', the file of a marker log; 'events', names of
            %   codes for it, as rows of a code and a name.
            if mod(numel(varargin), 2) || ~all(ismember(varargin(1:2:end), {'log', 'events'}))
                error('tallymark:value', ['Names and values go with the port: ''log'' and a file, ' ...
                    '''events'' and rows of a code and a name. Nothing was opened.']);
            end
            given = struct('log', '', 'events', {{}});
            for k = 1:2:numel(varargin)
                given.(varargin{k}) = varargin{k + 1};
            end
            box.where = where;
            box.link = tallymark.Link(tallymark.Transport(where));
            if ~isempty(given.log)
                outcomes = box.link.outcomes;
                outcomes.log = tallymark.MarkerLog(given.log, box.link.born, box.link.identity, ...
                    box.link.settings, given.events);
            end
        end

        function identity = get.identity(box)
            identity = box.link.identity;
        end

        function opened = get.opened(box)
            opened = box.link.born;
        end

        % Markers ---------------------------------------------------------------------------

        function marker = pulse(box, code, width_us, varargin)
            %PULSE  Puts a code on the lines now; the box takes them back to idle by itself.
            %   code: 1 to 255. width_us: whole microseconds, in the range of the box's identity.
            %   expiry_us: box time, at most 17 minutes away, after which the box refuses it instead of
            %   putting it out late (box.clock gives the box time); width_us may be [] before it.
            %   Instead of it, for a marker ahead of its time, which the box puts out by its own timer:
            %   'at_s', when, in seconds as toc(box.opened), at most 30 minutes away; or 'after_s',
            %   seconds from now; or 'at_us', a box time. Besides: 'late_us', how much later it may go
            %   out if it comes too late (0: it is refused then); 'bound_us', the largest error of its
            %   box time that you can use: more than the clocks give is an error.
            %   Returns at once with a tallymark.Marker.
            code = whole('code', code, 1, 255);
            if nargin > 3
                marker = box.timed(0, code, width_us, varargin{:});
            elseif nargin < 3
                marker = box.link.mark('pulse', 16, code, code, NaN);
            else
                width_us = whole('width_us', width_us, 0, 2^32 - 1);
                marker = box.link.mark('pulse_for', 17, [code, four_bytes(width_us)], code, ...
                    width_us);
            end
        end

        function marker = set(box, code, varargin)
            %SET  Puts a code on the lines until the next marker. code: 0 (idle) to 255.
            %   expiry_us, or names and values of a marker ahead: as for PULSE.
            code = whole('code', code, 0, 255);
            if nargin > 2
                marker = box.timed(1, code, [], varargin{:});
            else
                marker = box.link.mark('set', 18, code, code, NaN);
            end
        end

        function result = wait(box, marker, timeout_s)
            %WAIT  Waits until a marker has an outcome, and returns it; without one, waits for all
            %   and returns those not done since the last such call, as a cell row.
            %   timeout_s: look no longer than that; the marker may then still be 'open'.
            until_s = Inf;
            if nargin > 2
                until_s = box.link.now_s() + timeout_s;
            end
            if nargin > 1 && ~isempty(marker)
                if marker.is_pending()
                    box.link.collect();
                end
                while marker.is_pending() && box.link.now_s() < until_s
                    box.link.collect_or_pause();
                end
                result = marker;
            else
                while box.link.pending_count() > 0 && box.link.now_s() < until_s
                    box.link.collect_or_pause();
                end
                result = box.link.outcomes.take_failed();
            end
        end

        function collect(box)
            %COLLECT  Takes in the answers that have come. Other calls do so too; a call between
            %   trials keeps them short.
            box.link.collect();
        end

        % Markers ahead, and the clocks -----------------------------------------------------

        function markers = cancel(box, marker)
            %CANCEL  Takes back a marker ahead, or all of them, unless they are out already.
            %   Returns those that were taken back, as a cell row; they are refused.
            number = 0;
            if nargin > 1
                while strcmp(marker.outcome, 'open')  % its number may be on the way
                    box.link.collect_or_pause();
                end
                if ~strcmp(marker.outcome, 'accepted')
                    markers = {};
                    return
                end
                number = marker.ahead_number;
            end
            outcomes = box.link.outcomes;
            before = numel(outcomes.failed);
            outcomes.is_cancelling = true;
            over = onCleanup(@() box.end_cancelling());
            for tries = 1:2  % it changes nothing if it is carried out twice
                try
                    box.link.ask('cancel', struct('number', number));
                    break
                catch problem
                    if tries == 2 || ~strcmp(problem.identifier, 'tallymark:noanswer')
                        rethrow(problem);
                    end
                end
            end
            markers = outcomes.failed(before+1:end);
            markers = markers(cellfun(@(each) strcmp(each.outcome, 'refused') ...
                && each.ahead_number > 0, markers));
        end

        function sync_clock(box, rounds)
            %SYNC_CLOCK  Compares the clocks by some round trips, 8 if it is not said how many.
            %   Answers to markers compare them too, as well as they were read at once.
            if nargin < 2
                rounds = 8;
            end
            for k = 1:rounds
                box.link.ask('clock', struct());
            end
        end

        function [time_s, bound_s] = to_host(box, box_time_us)
            %TO_HOST  When a box time is, in seconds as toc(box.opened), and by how much that may be
            %   wrong to either side.
            [time_s, bound_s] = box.link.clock.to_host(compared(double(box_time_us), box.link));
        end

        function [box_time_us, bound_us] = to_box(box, time_s)
            %TO_BOX  Box time of a time in seconds as toc(box.opened), and by how much that may be
            %   wrong to either side, both doubles.
            [box_time_us, bound_us] = box.link.clock.to_box(compared(time_s, box.link));
        end

        % Sequences -------------------------------------------------------------------------

        function marker = sequence(box, steps, repeats, varargin)
            %SEQUENCE  Loads a sequence into the box and starts it; the box plays it by its clock.
            %   steps: a row [code, hold_us] for each step. repeats: how often they are played;
            %   0 is until stopped; 1 if left out. Returns the marker of the start, done, with the
            %   box time of the first edge. Raises an error if it was not loaded or not started.
            %   'at_s', 'after_s' or 'at_us', and 'bound_us', as for PULSE: it starts at a time to come,
            %   by the timer of the box, in the microsecond that was asked for or not at all. 'after_s'
            %   counts from when the steps are loaded. The marker is 'accepted' then, until its first
            %   edge is told; CANCEL, SEQUENCE_STOP and CLOSE take it back. While it waits, the box
            %   refuses markers ahead, and markers that are in its way.
            if nargin < 3
                repeats = 1;
            end
            if ~isnumeric(steps) || size(steps, 2) ~= 2 || isempty(steps)
                error('tallymark:value', ['Steps are rows of a code and a hold time in us, for ' ...
                    'instance [1 50000; 0 50000]. Nothing was sent.']);
            end
            steps = double(steps);
            for k = 1:size(steps, 1)
                whole('code', steps(k, 1), 0, 255);
                whole('hold time', steps(k, 2), 0, 2^32 - 1);
            end
            repeats = whole('repeats', repeats, 0, 2^32 - 1);
            options = options_of(varargin);
            if nargin > 3
                box.time_of_start(options);
            end
            for k = 1:size(steps, 1)
                try
                    box.link.ask('sequence_load', struct('index', k - 1, 'code', steps(k, 1), ...
                        'hold', steps(k, 2)));
                catch problem
                    error(problem.identifier, 'Step %d of the sequence was not loaded: %s', k, ...
                        problem.message);
                end
            end
            box.link.forget_end();
            if nargin > 3
                at_us = box.time_of_start(options);  % anew: after_s counts from here
                marker = box.link.mark('sequence_start_at', 28, [four_bytes(repeats), ...
                    four_bytes(low_bits(at_us))], 0, NaN, at_us);
                while strcmp(marker.outcome, 'open')
                    box.link.collect_or_pause();
                end
            else
                marker = box.wait(box.link.mark('sequence_start', 25, four_bytes(repeats), 0, NaN));
            end
            if ~any(strcmp(marker.outcome, {'accepted', 'done'}))
                error(['tallymark:', marker.outcome], 'The sequence: %s', marker.text);
            end
        end

        function state = sequence_state(box)
            %SEQUENCE_STATE  How far the sequence is: state ('empty', 'loaded', 'playing', 'ended',
            %   'stopped', 'waiting'), steps, repeats, played (steps begun), started_us, ended_us.
            state = state_of(box.link.ask('sequence_state', struct()));
        end

        function state = sequence_stop(box)
            %SEQUENCE_STOP  Takes the lines to idle now, or back a start that waits for its time;
            %   returns the state, as SEQUENCE_STATE.
            outcomes = box.link.outcomes;
            outcomes.is_cancelling = true;  % what was asked for is no fault
            over = onCleanup(@() box.end_cancelling());
            state = state_of(box.link.ask('sequence_stop', struct()));
        end

        function state = sequence_wait(box, timeout_s)
            %SEQUENCE_WAIT  Waits until the sequence is over; returns the state, which is 'playing'
            %   if it still plays after timeout_s seconds, and 'waiting' if it still waits for its time.
            if nargin < 2
                timeout_s = Inf;
            end
            until_s = box.link.now_s() + timeout_s;
            state = box.sequence_state();
            while any(strcmp(state.state, {'playing', 'waiting'})) && box.link.now_s() < until_s
                % The box says when it ends; a question now and then, should that get lost.
                look_s = min(until_s, box.link.now_s() + 1);
                while isempty(box.link.sequence_ended) && box.link.now_s() < look_s
                    box.link.collect_or_pause();
                end
                state = box.sequence_state();
            end
        end

        % Questions -------------------------------------------------------------------------

        function values = levels(box)
            %LEVELS  Levels now: box_time_us, outputs and readback (bit n is line n, 1 is high).
            values = with_box_time(box.link.ask('levels', struct()));
        end

        function values = clock(box)
            %CLOCK  box_time_us, which lies between sent_s and received_s of this computer.
            sent_s = box.link.now_s();
            values = with_box_time(box.link.ask('clock', struct()));
            values.sent_s = sent_s;
            values.received_s = box.link.now_s();
        end

        function values = counters(box)
            %COUNTERS  What the box counted since its start; names as in PROTOCOL.md, 4.2.
            values = with_box_time(box.link.ask('counters', struct()));
        end

        function values = settings(box)
            %SETTINGS  The settings in force; names as in PROTOCOL.md, 5, times in us. strobe: the bit
            %   of its line, 0 for none; strobe_lead, strobe_hold: see section 6.2.
            values = box.link.ask('settings_read', struct());
            values = values.record;
        end

        function counts = ignored(box)
            %IGNORED  What came in and was ignored: broken (frames), short (messages that were too
            %   short) and late (answers that no open request has).
            counts = box.link.ignored();
        end

        function summary = selftest(box)
            %SELFTEST  Drives every code of the lines in use and looks at what the loopback brings
            %   back. Put the loopback in first: a recording would see each code.
            %   summary: good, codes_tried, codes_right, lines (line, verdict) and sentence.
            summary = tallymark.selftest(box);
        end

        % The end ---------------------------------------------------------------------------

        function close(box)
            %CLOSE  Takes back the markers ahead that still wait for their time (WAIT first, if they
            %   are wanted), waits for open markers, a second at most, and gives the port back. May
            %   be called twice. Lines stay as they are: call set(0) first if a code is held.
            if box.link.is_open && box.link.ahead_count() > 0
                try
                    box.cancel();
                catch problem
                    warning(problem.identifier, '%s', problem.message);
                end
            end
            until_s = box.link.now_s() + 1;
            while box.link.is_open && box.link.pending_count() > 0 && box.link.now_s() < until_s
                box.link.collect_or_pause();
            end
            box.link.close();
            if ~isempty(box.link.outcomes.log)
                box.link.outcomes.log.close();
            end
        end

        function delete(box)
            if ~isempty(box.link)
                try
                    box.close();
                catch problem
                    warning(problem.identifier, '%s', problem.message);
                end
            end
        end
    end

    methods (Access = private)
        function end_cancelling(box)
            outcomes = box.link.outcomes;
            outcomes.is_cancelling = false;
        end

        function at_us = time_of_start(box, options)
            % The box time at which a sequence is to start.
            if ~bitand(box.identity.capabilities, 256)
                error('tallymark:value', ['The firmware of this box can''t start a sequence at a time. ' ...
                    'Nothing was sent. Start it when it is to play, or load newer firmware.']);
            elseif isfield(options, 'late_us')
                error('tallymark:value', ['A sequence starts at its time or not at all: leave ' ...
                    '''late_us'' out. Nothing was sent.']);
            end
            at_us = tallymark.time_ahead(box.link, options);
        end

        function marker = timed(box, kind, code, width_us, varargin)
            % A marker that goes out at once or, after a box time, not at all; or one ahead of its
            % time. kind: 0 pulse, 1 set.
            width = 0;  % that of the settings
            if ~isempty(width_us)
                width = whole('width_us', width_us, 1, 2^32 - 1);
            end
            at = {};
            if ischar(varargin{1}) || isa(varargin{1}, 'string')
                options = options_of(varargin);
                at = {tallymark.time_ahead(box.link, options)};
                first = at{1};
                last = first;
                if isfield(options, 'late_us')
                    last = first + round(double(options.late_us));
                end
            elseif numel(varargin) == 1
                last = whole('expiry_us', varargin{1}, 0, 2^53);
                first = last - 2^30;  % some 18 minutes before, which the box takes for past
            else
                error('tallymark:value', ['Give an expiry, or names and values of a marker ahead, ' ...
                    'not both. Nothing was sent.']);
            end
            body = [kind, code, four_bytes(width), four_bytes(low_bits(first)), ...
                four_bytes(low_bits(last))];
            if width == 0
                width = NaN;
            end
            marker = box.link.mark('timed', 19, body, code, width, at{:});
        end
    end
end

function options = options_of(pairs)
% A struct of names and values.
options = struct();
if mod(numel(pairs), 2) == 1
    error('tallymark:value', ['Names and values of a marker ahead come in pairs, as ' ...
        '''after_s'', 0.5. Nothing was sent.']);
end
for k = 1:2:numel(pairs)
    if ~isvarname(char(pairs{k})) || isfield(options, char(pairs{k}))
        error('tallymark:value', ['Names of a marker ahead are at_s, after_s, at_us, late_us and ' ...
            'bound_us, each of them once. Nothing was sent.']);
    end
    options.(char(pairs{k})) = pairs{k + 1};
end
end

function value = compared(value, link)
if isinf(link.clock.compared_s())
    error('tallymark:value', ['The box has started again, and the clocks were not compared since. ' ...
        'Nothing was sent. Call box.sync_clock() first.']);
end
end

function bits = low_bits(time_us)
% The low 32 bits of a box time, a double that may be negative.
bits = mod(time_us, 2^32);
end

function value = whole(name, value, least, most)
% The number as a double. One that would be rounded or cut off on the way would be another marker.
if ~(isscalar(value) && isnumeric(value) && value >= least && value <= most ...
        && value == fix(value))
    error('tallymark:value', ['%s must be a whole number from %d to %d, not %s. ' ...
        'Nothing was sent.'], name, least, most, disp_of(value));
end
value = double(value);
end

function words = disp_of(value)
if isnumeric(value)
    words = mat2str(value);
else
    words = ['a ', class(value)];
end
end

function bytes = four_bytes(value)
bytes = mod(floor(value ./ [1, 256, 65536, 16777216]), 256);
end

function values = with_box_time(values)
values.box_time_us = values.time;
values = rmfield(values, 'time');
end

function state = state_of(values)
words = {'empty', 'loaded', 'playing', 'ended', 'stopped', 'waiting'};
state = struct('state', words{values.state + 1}, 'steps', values.steps, ...
    'repeats', values.repeats, 'played', values.played, ...
    'started_us', values.started, 'ended_us', values.ended);
end
