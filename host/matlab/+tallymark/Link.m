classdef Link < handle
%LINK  The conversation with one box. RequestWindow has the requests on their way, Reader takes what comes
%   back, AnswerRecovery finds out what became of a marker whose answer is overdue. No marker is ever
%   sent again. There is no other thread: answers wait in the system until COLLECT takes them in.
    properties (SetAccess = private)
        born                % TIC of the opening: all seconds count from it
        clock               % relation of box time to the seconds since the opening
        outcomes            % of markers, with the marker log
    end
    properties (Dependent)
        identity            % of the box, as in PROTOCOL.md 4.2
        settings            % in force, as the box has told; empty: it did not tell
        is_open
        sequence_ended      % last notice of that name since forget_end
    end
    properties (Constant)
        TRIES = 3           % of questions when a box is opened
        STALE_S = 0.02      % what comes in for so long after opening is of an earlier program
        SOON_S = 0.02       % what is due later is surely still to come when a request is there
    end
    properties (Access = private)
        port
        accepted            % markers that wait in the box for their time
        window
        background
        recovery
        reader
        number = 0          % of the last marker
        starts = 0          % how often the box was identified anew
        place_wait_s = 0    % how long the next marker ahead had to wait for a place in the box
    end

    methods
        function link = Link(port)
            link.born = tic;
            link.port = port;
            link.clock = tallymark.ClockEstimate(0, is_slewed());
            link.accepted = tallymark.AcceptedMarkers();
            link.outcomes = tallymark.MarkerOutcomes(link.clock);
            link.window = tallymark.RequestWindow(port, link.born, link.clock, link.accepted, ...
                link.outcomes);
            link.background = tallymark.SessionCheck(link.window, link.outcomes);
            link.recovery = tallymark.AnswerRecovery(link.window, link.accepted, link.outcomes, ...
                link.background);
            link.reader = tallymark.Reader(link.window, link.accepted, link.outcomes, ...
                link.background, link.recovery);
            while toc(link.born) < link.STALE_S
                link.reader.drop_stale();
            end
            link.reader.drop_stale();
            link.begin();
        end

        % What is known ---------------------------------------------------------------------

        function identity = get.identity(link)
            identity = link.window.identity;
        end

        function settings = get.settings(link)
            settings = link.window.settings;
        end

        function is_open = get.is_open(link)
            is_open = link.window.is_open;
        end

        function values = get.sequence_ended(link)
            values = link.reader.sequence_ended;
        end

        function seconds = now_s(link)
            %NOW_S  Seconds since the opening.
            seconds = toc(link.born);
        end

        function counts = ignored(link)
            %IGNORED  What came in and was ignored, as Box.ignored.
            reader = link.reader;
            counts = struct('broken', reader.decoder.frames_broken, ...
                'short', reader.ignored_short, 'late', reader.ignored_late);
        end

        function count = pending_count(link)
            %PENDING_COUNT  Requests and markers without an outcome.
            count = link.window.open_count + link.accepted.count;
        end

        function count = ahead_count(link)
            %AHEAD_COUNT  Markers ahead that the box holds, or was given and has not answered yet.
            count = link.window.ahead_count();
        end

        % Requests --------------------------------------------------------------------------

        function check_places(link)
            %CHECK_PLACES  Raises an error unless the box can take one more marker ahead. Waits where
            %   that would take the place of one whose end has to be asked for first.
            starts = link.starts;
            from_s = toc(link.born);
            while ~link.leaves_a_place()
                link.collect_or_pause();
                link.place_wait_s = toc(link.born) - from_s;
            end
            if link.ahead_count() >= link.identity.places
                link.collect();  % some may be out by now
            end
            if link.ahead_count() >= link.identity.places
                error('tallymark:value', ['The box holds %d markers ahead, and as many wait for ' ...
                    'their time. This one was not sent: wait for one of them, or cancel it.'], ...
                    link.identity.places);
            end
            if link.starts ~= starts
                error('tallymark:restarted', ['The box started again while a marker ahead was held ' ...
                    'back in this computer. That marker was not sent and is not in the recording. ' ...
                    'Check the power and the cable of the box, then go on.']);
            end
        end

        function marker = mark(link, request, type, body, code, width_us, at_us)
            %MARK  Hands a marker request to the port, once and for all, and returns its marker.
            %   at_us: box time of a marker ahead.
            window = link.window;
            outcomes = link.outcomes;
            held_back_s = link.place_wait_s * (nargin > 6);
            if (window.open_count > 0 || window.silent >= window.SILENT_MOST || ~window.is_open) ...
                    && ~window.has_room(numel(body) + 6, true)
                starts = link.starts;
                held_back_s = held_back_s + link.wait_for_room(numel(body) + 6, true);
                if link.starts ~= starts  % sent now, it would be late, and nobody would know
                    marker = link.leave_out(request, code, width_us, held_back_s);
                    return
                end
            end
            tag = mod(window.tag, 255) + 1;
            wire = tallymark.frame(type, tag, body);
            number = link.number + 1;
            if ~isempty(outcomes.log)
                outcomes.sent(number, request, body, code, width_us, window.settings);
            end
            sent_s = toc(link.born);
            problem = [];
            try
                link.port.write(wire);
            catch problem
                % told below, when the marker can be named
            end
            link.number = number;
            marker = tallymark.Marker(number, request, code, width_us, tag, sent_s, held_back_s);
            if nargin > 6
                link.place_wait_s = 0;
                marker.ask_for(at_us);
            end
            window.enter(tag, marker, numel(wire), sent_s, sent_s + window.marker_due_s);
            if ~isempty(problem)
                window.lose(problem);
            end
            if window.open_count >= 8  % take answers in before they are many, but after sending
                link.collect();
            end
        end

        function values = ask(link, name, values)
            %ASK  Sends a request that is no marker, waits for its answer, returns its fields.
            window = link.window;
            found = tallymark.layouts('request', name);
            body = tallymark.put_fields(found.fields, values);
            window.check_open();
            link.wait_for_room(numel(body) + 6, false);
            while window.query ~= 0
                link.collect_or_pause();
                link.wait_for_room(numel(body) + 6, false);
            end
            tag = window.send_question(name, found.type, body);
            link.reader.expect(tag);
            while window.query == tag
                link.collect_or_pause();
            end
            values = link.reader.answer;
            if isempty(values)
                error('tallymark:noanswer', ['The box did not answer ''%s'' within half a ' ...
                    'second, or started again meanwhile. No marker is affected. Try again; ' ...
                    'if it stays so, check the cable, and open the box again.'], name);
            elseif isfield(values, 'reason')
                error('tallymark:refused', 'The box refused ''%s''. %s', name, ...
                    tallymark.refusal_text(values.reason, values.detail));
            end
        end

        function found = collect(link)
            %COLLECT  Takes in what has come and looks after what is overdue. Never waits, unless
            %   the box has started again. found: whether anything came.
            window = link.window;
            reader = link.reader;
            window.check_open();
            found = reader.receive();
            if reader.started
                link.begin_again();
            end
            if link.background.checks > 0
                link.background.ask();
            end
            if window.open_count > 0
                late = find(window.due_s < toc(link.born));
                if ~isempty(late)
                    link.recovery.look_after(late);
                end
            end
            if link.accepted.count > 0
                link.recovery.ask_number();
            end
        end

        function collect_or_pause(link)
            %COLLECT_OR_PAUSE  As COLLECT, for loops that wait.
            if ~link.collect()
                pause(0.0005);
            end
        end

        function forget_end(link)
            %FORGET_END  A sequence is about to start.
            reader = link.reader;
            reader.sequence_ended = [];
        end

        function close(link)
            %CLOSE  Gives the port back; open markers become unconfirmed. May be called twice.
            link.window.close();
        end
    end

    methods (Access = private)
        function leaves = leaves_a_place(link)
            % Whether the box can still be asked about each marker ahead if it accepts one more.
            leaves = true;
            if link.accepted.count > 0
                soon_s = toc(link.born) + link.SOON_S;
                past_us = Inf;
                if ~isinf(link.clock.compared_s())
                    [box_us, bound_us] = link.clock.to_box(soon_s);
                    past_us = box_us + bound_us;
                end
                leaves = link.accepted.leave_a_place(link.ahead_count() - link.accepted.count, ...
                    link.identity.places, past_us, soon_s);
            end
        end

        function seconds = wait_for_room(link, bytes, is_marker)
            % Raises an error if the link is closed.
            window = link.window;
            from_s = toc(link.born);
            window.check_open();
            while ~window.has_room(bytes, is_marker)
                link.collect_or_pause();
                if window.open_count == 0 && window.silent >= window.SILENT_MOST
                    left = window.give_up('The box did not answer.');
                    warning('tallymark:silent', ['The box at %s has not answered for a long ' ...
                        'time. It is identified anew; check its cable. Unconfirmed: %s.'], ...
                        link.port.where, tallymark.list_or_none(left));
                    link.begin();
                end
            end
            seconds = toc(link.born) - from_s;
        end

        function marker = leave_out(link, request, code, width_us, held_back_s)
            % A marker that waited for room while the box started again is not sent.
            outcomes = link.outcomes;
            if ~isempty(outcomes.log)
                outcomes.sent(link.number + 1, request, [], code, width_us, link.settings);
            end
            link.number = link.number + 1;
            marker = tallymark.Marker(link.number, request, code, width_us, 0, NaN, held_back_s);
            outcomes.leave_out(marker);
        end

        % Opening ---------------------------------------------------------------------------

        function begin_again(link)
            % The box has started: lines are idle, its memory of markers is empty.
            reader = link.reader;
            warning('tallymark:restarted', ['The box at %s started again: its lines went to ' ...
                'idle, a held code or a sequence ended, and box time began at 0. Unconfirmed, ' ...
                'which means that it is not known whether they went out: %s. Look for them in the ' ...
                'recording, and check the power and the cable of the box.'], ...
                link.port.where, tallymark.list_or_none(reader.forgotten));
            reader.forgotten = '';
            link.begin();
        end

        function begin(link)
            % The first words with a box: who it is, a session, its settings.
            window = link.window;
            reader = link.reader;
            link.starts = link.starts + 1;
            reader.started = true;
            while reader.started
                link.identify();
                link.begin_session();
            end
            settings = link.ask_again('settings_read', 40, []);
            gap_us = 1e6;  % the longest there is
            if ~isempty(settings)
                gap_us = settings.record.gap;
                window.settings = settings.record;
            end
            window.marker_due_s = window.OVERDUE_S + gap_us / 1e6;
            if ~isempty(settings) && settings.origin == 3
                warning('tallymark:factory', ['The settings that the box at %s has kept are those ' ...
                    'of another version of its firmware, so it started with the factory values. ' ...
                    'Look at them, and keep them again, with the command "tallymark settings".'], ...
                    link.port.where);
            end
            reader.expect(0);  % nobody else has asked for an answer
        end

        function identify(link)
            window = link.window;
            window.give_up('');
            link.background.forget();
            question = tallymark.Identify(window, link.reader);
            question.ask();
            window.give_up('');  % releases the questions before the one that was answered
            window.begin();
            link.clock.begin(window.identity.board, is_slewed());
            link.reader.begin(window.identity);
        end

        function begin_session(link)
            number = 1 + mod(floor(now * 86400e6) + floor(rand * 2^32), 2^32 - 1);
            link.background.begin(number);
            bytes = mod(floor(number ./ [1, 256, 65536, 16777216]), 256);
            answer = link.ask_again('session', 7, bytes);
            if isempty(answer) && ~link.reader.started
                link.close();
                error('tallymark:nobox', ['The box at %s said who it is, and then did not answer. ' ...
                    'No marker was sent. Check its cable, and open it again.'], link.port.where);
            end
        end

        function answer = ask_again(link, name, type, body)
            % Asks up to TRIES times. answer: empty if none came, or the box has started again.
            window = link.window;
            reader = link.reader;
            for k = 1:link.TRIES
                tag = window.send_question(name, type, body);
                reader.expect(tag);
                while window.query == tag && toc(link.born) < window.due_s(tag)
                    if ~reader.receive()
                        pause(0.0005);
                    end
                end
                answer = reader.answer;
                if window.query == tag
                    window.release(tag);
                end
                if ~isempty(answer) || reader.started
                    break
                end
            end
        end
    end
end

function is_slewed = is_slewed()
% Whether a time service may change the rate of TOC: Octave's follows the time of day.
is_slewed = exist('OCTAVE_VERSION', 'builtin') ~= 0 || isunix() && ~ismac();
end
