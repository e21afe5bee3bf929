classdef Link < handle
%LINK  Requests and answers: tags, sessions, window, what is overdue (PROTOCOL.md, 3).
%   There is no other thread: answers wait in the system until COLLECT takes them in.
    properties (SetAccess = private)
        identity = []       % of the box, as in PROTOCOL.md 4.2; empty until it is known
        decoder            % counts good and broken frames
        born                % TIC of the opening: all seconds count from it
        open_count = 0      % requests without an outcome
        failed = {}         % markers refused or unconfirmed since the last take_failed
        sequence_ended = [] % last notice of that name since forget_end
        ignored_short = 0   % messages that were too short
        ignored_late = 0    % answers that no open request has
        is_open = true
        clock               % relation of box time to the seconds since the opening
        accepted            % markers that wait in the box for their time
        settings = []       % in force, as the box has told; empty: it did not tell
    end
    properties
        log = []            % marker log; empty: none is kept
        is_cancelling = false    % markers ahead are being taken back, which is no fault
    end
    properties (Constant)
        OVERDUE_S = 0.5     % an answer is overdue after that (PROTOCOL.md, 3.3)
        QUIET_S = 1.6       % no byte for an old boot loader to wait on, after a lost question
        IDENTIFY_S = 6      % some boards restart when their port is opened
        FATE_TRIES = 2      % a question may get lost too; asking again moves no line
        TRIES = 3           % of questions when a box is opened
        STALE_S = 0.02      % what comes in for so long after opening is of an earlier program
        SILENT_MOST = 100   % so many tags without an answer, and a new session has to begin
    end
    properties (Access = private)
        port
        tag = 0             % last tag used
        oldest = 0          % oldest tag without an outcome; 0: there is none
        number = 0          % of the last marker
        entries = cell(1, 255)   % by tag, while there is no outcome: the marker, or the name of
                                 % a request that is none; otherwise empty
        bytes = zeros(1, 255)    % by tag: what it takes of the window
        due_s = Inf(1, 255)      % by tag: when its answer is overdue. Of a marker, 0: its answer
                                 % is missing, and its fate has to be asked for; Inf: it was asked
        sent_s = zeros(1, 255)   % by tag: when it was handed to the port
        since = zeros(1, 255, 'uint64')  % by tag: box time that was known when it was sent
        waits = false(1, 255)    % by tag: a fate said that it waits for its gap
        tries = zeros(1, 255)    % by tag: how often its fate was asked for in vain
        doubted_s = zeros(1, 255) % by tag: when it was asked for first
        marker_due_s = 0    % how long an answer may take that is delayed by the gap
        silent = 0          % tags since the newest request that was answered
        heard_s = 0         % when the last message came
        box_time = uint64(0) % the newest that is known
        session = 0         % of this program; 0 before it has begun
        notice_numbers
        missing = 0         % notices that did not arrive and were not told yet
        checks = 0          % how often the box is still to be asked for the session in force
        starts = 0          % how often the box was identified anew
        query = 0           % tag of the one question on its way; 0: there is none
        answer_to = 0       % tag of the question for whose answer a caller waits ...
        answer = []         % ... and that answer; empty: none came
        asked_number = 0    % number whose fate the question is about; 0: it's another question
        asked = 0           % tag whose fate the question is about; 0: it's another question
        version_refused = NaN
        started = false     % the box said that it has started ...
        forgotten = ''      % ... and these markers were open, in words
    end

    methods
        function link = Link(port)
            link.born = tic;
            link.port = port;
            link.decoder = tallymark.Decoder();
            link.notice_numbers = tallymark.NoticeNumbers();
            link.clock = tallymark.ClockEstimate(0, link.is_slewed());
            link.accepted = tallymark.AcceptedMarkers();
            while toc(link.born) < link.STALE_S
                link.drop_stale();
            end
            link.drop_stale();
            link.tag = mod(floor(now * 86400e3), 255);  % no answer to an earlier program fits
            link.begin();
        end

        function seconds = now_s(link)
            seconds = toc(link.born);
        end

        function count = pending_count(link)
            %PENDING_COUNT  Requests and markers without an outcome.
            count = link.open_count + link.accepted.count;
        end

        function count = ahead_count(link)
            %AHEAD_COUNT  Markers ahead that the box holds, or was given and has not answered yet.
            count = link.accepted.count;
            for k = find(~cellfun('isempty', link.entries))
                entry = link.entries{k};
                count = count + (~ischar(entry) && ~isnan(entry.at_us));
            end
        end

        function check_places(link)
            %CHECK_PLACES  Raises an error unless the box can take one more marker ahead.
            if link.ahead_count() >= link.identity.places
                link.collect();  % some may be out by now
            end
            if link.ahead_count() >= link.identity.places
                error('tallymark:value', ['The box holds %d markers ahead, and as many wait for ' ...
                    'their time. This one was not sent: wait for one of them, or cancel it.'], ...
                    link.identity.places);
            end
        end

        function marker = mark(link, request, type, body, code, width_us, at_us)
            %MARK  Hands a marker request to the port, once and for all, and returns its marker.
            %   at_us: box time of a marker ahead.
            held_back_s = 0;
            if (link.open_count > 0 || link.silent >= link.SILENT_MOST || ~link.is_open) ...
                    && ~link.has_room(numel(body) + 6, true)
                starts = link.starts;
                held_back_s = link.wait_for_room(numel(body) + 6, true);
                if link.starts ~= starts  % sent now, it would be late, and nobody would know
                    marker = link.leave_out(request, code, width_us, held_back_s);
                    return
                end
            end
            tag = mod(link.tag, 255) + 1;
            wire = tallymark.frame(type, tag, body);
            if ~isempty(link.log)
                link.note_sent(request, body, code, width_us);
            end
            sent_s = toc(link.born);
            problem = [];
            try
                link.port.write(wire);
            catch problem
                % told below, when the marker can be named
            end
            link.number = link.number + 1;
            marker = tallymark.Marker(link.number, request, code, width_us, tag, sent_s, ...
                held_back_s);
            if nargin > 6
                marker.ask_for(at_us);
            end
            link.enter(tag, marker, numel(wire), sent_s, sent_s + link.marker_due_s);
            if ~isempty(problem)
                link.lose(problem);
            end
            if link.open_count >= 8  % take answers in before they are many, but after sending
                link.collect();
            end
        end

        function values = ask(link, name, values)
            %ASK  Sends a request that is no marker, waits for its answer, returns its fields.
            found = tallymark.layouts('request', name);
            body = tallymark.put_fields(found.fields, values);
            link.check_open();
            link.wait_for_room(numel(body) + 6, false);
            while link.query ~= 0
                link.collect_or_pause();
                link.wait_for_room(numel(body) + 6, false);
            end
            tag = link.send_question(name, found.type, body);
            link.expect(tag);
            while link.query == tag
                link.collect_or_pause();
            end
            if isempty(link.answer)
                error('tallymark:noanswer', ['The box did not answer ''%s'' within half a ' ...
                    'second, or started again meanwhile. No marker is affected. Try again; ' ...
                    'if it stays so, check the cable, and open the box again.'], name);
            elseif isfield(link.answer, 'reason')
                error('tallymark:refused', 'The box refused ''%s''. %s', name, ...
                    tallymark.reasons(link.answer.reason, link.answer.detail));
            end
            values = link.answer;
        end

        function found = collect(link)
            %COLLECT  Takes in what has come and looks after what is overdue. Never waits, unless
            %   the box has started again. found: whether anything came.
            link.check_open();
            found = link.receive();
            if link.started
                link.begin_again();
            end
            if link.checks > 0 && link.query == 0 && link.has_room(8, false)
                link.checks = link.checks - 1;
                link.send_question('identify', 1, [2, 0]);
            end
            if link.open_count > 0
                late = find(link.due_s < toc(link.born));
                for tag = [late(late >= link.oldest), late(late < link.oldest)]
                    link.look_after(tag);
                end
            end
            if link.accepted.count > 0 && link.query == 0 && link.has_room(10, false)
                number = link.accepted.overdue(toc(link.born));
                if number > 0
                    link.send_question('fate_of_number', 8, four_bytes(number));
                    link.asked_number = number;
                end
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
            link.sequence_ended = [];
        end

        function markers = take_failed(link)
            %TAKE_FAILED  Markers refused or unconfirmed since the last call, as a cell row.
            markers = link.failed;
            link.failed = {};
        end

        function close(link)
            %CLOSE  Gives the port back; open markers become unconfirmed. May be called twice.
            if link.is_open
                link.is_open = false;
                link.port.close();
                left = link.give_up('The box was closed before its answer came.');
                if ~isempty(left)
                    warning('tallymark:unconfirmed', ['Closed %s before these answers came: ' ...
                        '%s. It is not known whether these markers went out. Look for them in the ' ...
                        'recording.'], link.port.where, left);
                end
            end
        end

        function check_open(link)
            if ~link.is_open
                error('tallymark:closed', ['The connection to %s is closed. Nothing was sent. ' ...
                    'Open the box again.'], link.port.where);
            end
        end
    end

    methods (Access = private)
        function room = has_room(link, bytes, is_marker)
            % Questions may use all that the window and the history allow; markers leave some
            % tags for the questions about them.
            room = link.is_open && link.silent < link.SILENT_MOST;
            if room && link.open_count > 0
                span = link.identity.history - 2;
                if is_marker
                    span = max(0, floor(0.75 * link.identity.history) - 2);
                end
                room = sum(link.bytes) + bytes <= link.identity.window ...
                    && mod(mod(link.tag, 255) + 1 - link.oldest, 255) <= span;
            end
        end

        function seconds = wait_for_room(link, bytes, is_marker)
            % Raises an error if the link is closed.
            from_s = toc(link.born);
            link.check_open();
            while ~link.has_room(bytes, is_marker)
                link.collect_or_pause();
                if link.open_count == 0 && link.silent >= link.SILENT_MOST
                    left = link.give_up('The box did not answer.');
                    warning('tallymark:silent', ['The box at %s has not answered for a long ' ...
                        'time. It is identified anew; check its cable. Unconfirmed: %s.'], ...
                        link.port.where, or_none(left));
                    link.begin();
                end
            end
            seconds = toc(link.born) - from_s;
        end

        function tag = send_question(link, name, type, body)
            % Sends a request that is no marker; there must be none on its way.
            link.asked = 0;
            link.asked_number = 0;
            link.query = link.send(name, type, body);
            tag = link.query;
        end

        function expect(link, tag)
            % Keeps the answer to this question, whatever is asked besides until it is looked at.
            link.answer_to = tag;
            link.answer = [];
        end

        function tag = send(link, name, type, body)
            tag = mod(link.tag, 255) + 1;
            wire = tallymark.frame(type, tag, body);
            link.enter(tag, name, numel(wire), toc(link.born), toc(link.born) + link.OVERDUE_S);
            link.put(wire);
        end

        function marker = leave_out(link, request, code, width_us, held_back_s)
            % A marker that waited for room while the box started again is not sent.
            if ~isempty(link.log)
                link.note_sent(request, [], code, width_us);
            end
            link.number = link.number + 1;
            marker = tallymark.Marker(link.number, request, code, width_us, 0, NaN, held_back_s);
            link.report(marker, 'unconfirmed', ['It was not sent, because the box started again ' ...
                'or did not answer while it waited for room. It is not in the recording.'], ...
                'it was not sent, because the box started again while it waited for room');
        end

        function put(link, wire)
            try
                link.port.write(wire);
            catch problem
                link.lose(problem);
            end
        end

        function enter(link, tag, entry, bytes, sent_s, due_s)
            link.tag = tag;
            link.entries{tag} = entry;
            link.bytes(tag) = bytes;
            link.due_s(tag) = due_s;
            link.sent_s(tag) = sent_s;
            link.since(tag) = link.box_time;
            link.silent = link.silent + 1;
            link.open_count = link.open_count + 1;
            if link.oldest == 0
                link.oldest = tag;
            end
        end

        function release(link, tag)
            link.entries{tag} = [];
            link.bytes(tag) = 0;
            link.due_s(tag) = Inf;
            link.waits(tag) = false;
            link.tries(tag) = 0;
            link.open_count = link.open_count - 1;
            if link.open_count == 0
                link.oldest = 0;
            else
                while isempty(link.entries{link.oldest})
                    link.oldest = mod(link.oldest, 255) + 1;
                end
            end
            if tag == link.query
                link.query = 0;
            end
        end

        function found = receive(link)
            try
                bytes = link.port.read();
            catch problem
                link.lose(problem);
            end
            found = ~isempty(bytes);
            if found
                messages = link.decoder.feed(bytes);
                for k = 1:numel(messages)
                    message = messages{k};
                    link.take(message(1), message(2), message(3:end));
                end
            end
        end

        function take(link, type, tag, body)
            link.heard_s = toc(link.born);
            if isempty(link.identity) && ~link.is_greeting(type, tag, body)
                return  % whatever comes before the box is known
            end
            layout = tallymark.layouts(type);
            is_known = ~isempty(layout) && ~strcmp(layout.kind, 'request');
            values = [];
            if is_known
                values = tallymark.get_fields(layout.fields, body);
                link.ignored_short = link.ignored_short + isempty(values);
            end
            if type >= 192 && ~link.count_notice(type, tag)
                return  % the link has repeated it
            elseif isempty(values)
                return  % too short, or of a later version
            elseif strcmp(layout.kind, 'notice')
                link.take_notice(layout.name, values);
            elseif tag == 0 || isempty(link.entries{tag})
                link.ignored_late = link.ignored_late + 1;
            else
                link.take_answer(tag, layout, values);
            end
        end

        function fits = is_greeting(link, type, tag, body)
            % Whether a message belongs to the first words with a box. The first two bytes of its
            % identity are the same in all versions.
            fits = type == 192 || (type == 130 || type == 131) && tag > 0 ...
                && ~isempty(link.entries{tag});
            if fits && type == 131 && numel(body) >= 2 && body(1) ~= 2
                link.version_refused = body(1);
                fits = false;
            end
        end

        function is_new = count_notice(link, type, number)
            if type == 192
                link.notice_numbers.started(number);
                is_new = true;
            else
                lost = link.notice_numbers.came(number);
                is_new = lost >= 0;
                link.miss(max(0, lost));
            end
        end

        function miss(link, count)
            % Notices did not arrive. Told when it is known that the box has not started again.
            if count > 0
                link.missing = link.missing + count;
                link.accepted.doubt();
                link.check_session();
            end
        end

        function check_session(link)
            % Has the box started again, unheard, or does another program have it?
            link.checks = 2;
        end

        function take_answer(link, tag, layout, values)
            % A message with the tag of an open request.
            entry = link.entries{tag};
            is_marker = ~ischar(entry);
            if is_marker
                request = entry.request;
            else
                request = entry;
            end
            expected = tallymark.layouts('request', request);
            if strcmp(layout.name, 'refused')
                fits = values.request == expected.type;
            else
                fits = layout.type == expected.answer || is_marker ...
                    && (layout.type == 129 || layout.type == 138 && ~isnan(entry.at_us));
            end
            if ~fits
                link.ignored_late = link.ignored_late + 1;
                return
            end
            link.silent = min(link.silent, mod(link.tag - tag, 255));
            if isfield(values, 'time') && layout.type ~= 134  % a fate has a time of the past
                if values.time < link.since(tag)  % box time never goes back
                    link.take_start(6);
                    return
                end
                link.box_time = max(link.box_time, values.time);
                if ~strcmp(request, 'sequence_start') ... whose first edge may be still to come
                        && link.clock.tells_more(link.sent_s(tag), link.heard_s)
                    link.clock.add(link.sent_s(tag), double(values.time), link.heard_s);
                end
            end
            is_oldest = tag == link.oldest;
            if is_marker
                is_over = link.take_outcome(tag, layout.name, values);
            else
                link.take_reply(tag, request, layout.name, values);
                is_over = true;
            end
            if is_over && ~isempty(link.entries{tag})
                link.release(tag);
                if ~is_oldest
                    link.suspect(tag);
                end
            end
        end

        function suspect(link, tag)
            % The box answers in the order of requests, but for markers that wait for their gap:
            % an earlier one without an answer waits, or its answer is lost.
            earlier = link.oldest;
            while earlier > 0 && mod(tag - earlier, 255) < 128 && earlier ~= tag
                entry = link.entries{earlier};
                if ~isempty(entry) && ~ischar(entry) && ~link.waits(earlier)
                    link.doubt(earlier);
                end
                earlier = mod(earlier, 255) + 1;
            end
        end

        function doubt(link, tag)
            % The answer to a marker is missing: its fate has to be asked for.
            if ~isinf(link.due_s(tag))
                link.due_s(tag) = 0;
            end
        end

        function is_over = take_outcome(link, tag, name, values)
            % The answer to a marker request.
            marker = link.entries{tag};
            is_over = true;
            switch name
                case 'done'
                    link.finish(marker, values.time);
                case 'done_noted'
                    marker.note(values.lasted, values.delay, values.notes);
                    link.finish(marker, values.time);
                case 'accepted'
                    link.accept(marker, values.number, link.since(tag), false);
                case 'refused'
                    if values.reason == 5  % an earlier copy may have arrived, its answer been lost
                        link.doubt(tag);
                        is_over = false;
                        return
                    elseif values.reason == 19
                        marker.note(values.detail, 0, 0);
                    end
                    link.refuse(marker, values.reason, values.detail);
            end
        end

        function take_reply(link, tag, request, name, values)
            % The answer to a request that is no marker.
            refused = strcmp(name, 'refused');
            if strcmp(request, 'identify')
                if refused
                    link.version_refused = values.detail;
                elseif isempty(link.identity)
                    link.identity = values;
                else
                    link.compare_session(values);
                end
            elseif link.asked_number > 0
                link.take_number_fate(values, refused);
            elseif link.asked > 0
                link.take_fate(values, refused);
            else
                if strcmp(name, 'counters')
                    link.miss(link.notice_numbers.compare(values.notices));
                end
                if tag == link.answer_to
                    link.answer = values;
                end
            end
        end

        function compare_session(link, identity)
            % What the box says of itself while it is open.
            link.checks = 0;
            if identity.session == link.session
                link.report_missing();
            elseif identity.session == 0
                link.missing = 0;
                link.take_start(6);
            else
                link.lose(struct('message', 'another program has taken the box'));
            end
        end

        function report_missing(link)
            count = link.missing;
            link.missing = 0;
            if count > 0
                if ~isempty(link.log)
                    link.log.notices_lost(count);
                end
                warning('tallymark:noticeslost', ['%d messages that the box at %s sent by itself ' ...
                    'did not arrive: the end of a sequence or of a held code may not be ' ...
                    'reported. Markers of this program are not affected. Check the cable.'], ...
                    count, link.port.where);
            end
        end

        function take_start(link, cause)
            % The box has started again: it knows nothing of what was open. cause: 6 is unknown.
            left = link.give_up('The box started again and forgot it.');
            if ~isempty(link.log) && ~link.started
                link.log.restarted(cause);
            end
            link.started = true;
            if isempty(link.forgotten)
                link.forgotten = left;
            elseif ~isempty(left)
                link.forgotten = [link.forgotten, ', ', left];
            end
        end

        function take_notice(link, name, values)
            switch name
                case 'started'
                    link.take_start(values.cause);
                case 'sequence_ended'
                    link.sequence_ended = values;
                case 'marker_edge'
                    marker = link.accepted.take(values.number);
                    if ~isempty(marker)  % otherwise its end was known before
                        link.end_accepted(marker, values, values.reason > 0);
                    end
                case 'byte_marker'
                    link.note_byte(values);
                case 'hold_ended'
                    if ~isempty(link.log)
                        link.log.hold_ended(values.code, double(values.time), link.clock);
                    end
                    warning('tallymark:holdended', ['The box took the lines to idle, because ' ...
                        'nothing came for as long as its hold limit: code %d was on the lines ' ...
                        'until box time %.0f us. Set it again if it should be there.'], ...
                        values.code, double(values.time));
            end
        end

        function note_byte(link, values)
            % A byte came in on the byte input. Only a log takes note of it.
            if isempty(link.log)
                return
            end
            why = '';
            width_us = NaN;
            if values.reason > 0
                why = tallymark.reason_label(values.reason);
            elseif values.byte > 0 && ~isempty(link.settings) && link.settings.byte_mode ~= 2
                width_us = link.settings.width;
            end
            link.log.byte(values, why, width_us, link.clock);
        end

        function look_after(link, tag)
            % Does what is next for a request whose answer is overdue.
            if isempty(link.entries{tag})
                return
            end
            if ~ischar(link.entries{tag})
                link.bytes(tag) = 0;
                link.ask_fate(tag);
            else
                name = link.entries{tag};
                link.release(tag);
                if strcmp(name, 'fate')
                    link.take_fate([], true);
                elseif strcmp(name, 'fate_of_number')
                    link.take_number_fate([], true);
                elseif strcmp(name, 'identify') && link.checks == 0
                    link.report_missing();
                end
            end
        end

        function ask_fate(link, tag)
            % Asks what became of a marker, when no other question is on its way.
            next = mod(link.tag, 255) + 1;
            if mod(next - tag, 255) > link.identity.history - 2 || link.silent >= link.SILENT_MOST
                link.unconfirm(tag, 'Too many requests followed for the box to remember it.');
                return
            elseif link.query ~= 0 || sum(link.bytes) + 7 > link.identity.window
                return  % later: it stays overdue
            end
            if link.tries(tag) == 0
                link.doubted_s(tag) = toc(link.born);
            end
            link.due_s(tag) = Inf;
            link.send_question('fate', 5, tag);
            link.asked = tag;
        end

        function take_fate(link, fate, failed)
            % The answer to the question about the marker of link.asked; failed: there was none.
            tag = link.asked;
            marker = link.entries{tag};
            if isempty(marker) || ischar(marker) || ~isinf(link.due_s(tag))
                return  % its own answer came first
            end
            if failed
                link.tries(tag) = link.tries(tag) + 1;
                link.due_s(tag) = 0;
                if link.tries(tag) == link.FATE_TRIES
                    link.despair(tag);
                end
                return
            end
            known = fate.outcome > 0 && fate.code == marker.code ...
                && (fate.outcome == 2 || fate.time >= link.since(tag));
            if fate.outcome == 4 && fate.code == marker.code && ~isnan(marker.at_us)
                link.accept(marker, fate.number, link.since(tag), true);
                link.release(tag);
            elseif ~known || fate.outcome > 3
                link.unconfirm(tag, ['The box has no record of it: most likely its request was ' ...
                    'lost.']);
                link.check_session();
            elseif fate.outcome == 2
                link.waits(tag) = true;
                link.tries(tag) = 0;
                link.due_s(tag) = toc(link.born) + link.marker_due_s;
            else
                marker.note(fate.lasted, fate.delay, fate.notes);
                if fate.outcome == 1
                    link.finish(marker, fate.time);
                else
                    link.refuse(marker, fate.reason, NaN);
                end
                link.release(tag);
            end
        end

        function accept(link, marker, number, since, is_late)
            % The box has accepted a marker. is_late: that is known late, so that it is asked at once
            % what became of it.
            due_s = 0;
            if ~is_late
                due_s = link.told_by_s(marker.at_us);
            end
            twin = link.accepted.accept(marker, number, since, due_s);
            if ~isempty(link.log)
                link.log.accepted(marker, link.clock);
            end
            if ~isempty(twin)  % numbers began anew
                link.fail(twin, 'unconfirmed', 'The box started again before its time came.');
                link.check_session();
            end
        end

        function time_s = told_by_s(link, box_us)
            % When the end of a marker is overdue whose edge is to be at that box time.
            [edge_s, bound_s] = link.clock.to_host(box_us);
            time_s = max(toc(link.born), edge_s + bound_s) + link.OVERDUE_S;
        end

        function end_accepted(link, marker, values, is_refused)
            % values: those of `marker_edge`, or of `fate`.
            marker.note(values.lasted, values.delay, values.notes);
            if is_refused
                link.refuse(marker, values.reason, NaN);
            else
                [edge_s, bound_s] = link.clock.to_host(double(values.time));
                marker.place_edge(edge_s, bound_s);
                link.finish(marker, values.time);
            end
        end

        function take_number_fate(link, fate, failed)
            % The answer to the question about the marker of link.asked_number; failed: there was none.
            number = link.asked_number;
            link.asked_number = 0;
            [marker, since] = link.accepted.lookup(number);
            if isempty(marker)
                return  % its end was told meanwhile
            elseif failed
                if link.accepted.asked_in_vain(number) == link.FATE_TRIES
                    link.accepted.take(number);
                    link.fail(marker, 'unconfirmed', ['Its end was not told, and the box does not ' ...
                        'answer. It was not sent again. Look for it in the recording; check the ' ...
                        'cable.']);
                end
                return
            end
            is_known = fate.code == marker.code && fate.time >= since;
            if is_known && fate.outcome == 4
                link.accepted.wait_until(number, link.told_by_s(double(fate.time)));
                return
            end
            link.accepted.take(number);
            if is_known && any(fate.outcome == [1, 3])
                link.end_accepted(marker, fate, fate.outcome == 3);
            else
                link.fail(marker, 'unconfirmed', ['The box has no record of it any more. Look for ' ...
                    'it in the recording.']);
                link.check_session();
            end
        end

        function despair(link, tag)
            % No answer to the second question either. If nothing at all came since the first one,
            % the other markers are not asked for: that would take minutes.
            tags = tag;
            if link.heard_s < link.doubted_s(tag)
                is_marker = ~cellfun('isempty', link.entries) & ~cellfun('isclass', link.entries, 'char');
                tags = find(is_marker & link.due_s < toc(link.born));
            end
            for tag = tags
                link.unconfirm(tag, 'Neither its answer nor one about its fate came.');
            end
        end

        function unconfirm(link, tag, why)
            link.fail(link.entries{tag}, 'unconfirmed', ...
                [why, ' It was not sent again. Look for it in the recording; check the cable.']);
            link.release(tag);
        end

        function finish(link, marker, box_time_us)
            marker.done(box_time_us);
            if ~isempty(link.log) && ~strcmp(marker.request, 'sequence_start')
                link.log.done(marker, link.clock);
            end
        end

        function refuse(link, marker, reason, detail)
            text = ['It was refused and did not go out. ', tallymark.reasons(reason, detail)];
            link.report(marker, 'refused', text, tallymark.reason_label(reason));
        end

        function fail(link, marker, outcome, why)
            text = sprintf('It is unconfirmed: it is not known whether it went out. %s', why);
            link.report(marker, outcome, text, why);
        end

        function report(link, marker, outcome, text, why)
            % Keeps a marker that is not done, and says so once. why: for the log.
            link.keep_failed(marker, outcome, text, why);
            if ~link.is_cancelling
                warning(['tallymark:', outcome], 'About %s. %s', marker.describe(), text);
            end
        end

        function left = give_up(link, why)
            % No request has an answer to wait for any more. left: the markers among them, in
            % words; empty if there was none.
            left = {};
            for waiting = link.accepted.take_all()
                left{end+1} = link.leave(waiting{1}, why); %#ok<AGROW>
            end
            order = mod(link.oldest - 1 + (0:254), 255) + 1;
            for tag = order(~cellfun('isempty', link.entries(order)))
                marker = link.entries{tag};
                if ~ischar(marker)
                    left{end+1} = link.leave(marker, why); %#ok<AGROW>
                end
                link.release(tag);
            end
            if isempty(left)
                left = '';
            else
                left = strjoin(left, ', ');
            end
        end

        function keep_failed(link, marker, outcome, text, why)
            marker.fail(outcome, text);
            link.failed{end+1} = marker;
            if ~isempty(link.log) && ~strcmp(marker.request, 'sequence_start')
                link.log.not_done(marker, why);
            end
        end

        function note_sent(link, request, body, code, width_us)
            % A marker is about to be sent. body: of a 'timed' one, 1 first is a code that stays.
            if strcmp(request, 'sequence_start')
                return
            elseif strcmp(request, 'set') || strcmp(request, 'timed') && ~isempty(body) && body(1) == 1
                width_us = NaN;
            elseif isnan(width_us) && ~isempty(link.settings)
                width_us = link.settings.width;
            end
            link.log.sent(link.number + 1, code, width_us);
        end

        function words = leave(link, marker, why)
            link.keep_failed(marker, 'unconfirmed', ['It is not known whether it went out. ', why, ...
                ' Look for it in the recording.'], why);
            words = marker.describe();
        end

        function begin_again(link)
            % The box has started: lines are idle, its memory of markers is empty.
            warning('tallymark:restarted', ['The box at %s started again: its lines went to ' ...
                'idle, a held code or a sequence ended, and box time began at 0. Unconfirmed, ' ...
                'which means that it is not known whether they went out: %s. Look for them in the ' ...
                'recording, and check the power and the cable of the box.'], ...
                link.port.where, or_none(link.forgotten));
            link.forgotten = '';
            link.begin();
        end

        function drop_stale(link)
            try
                link.port.read();
            catch problem
                link.lose(problem);
            end
            pause(0.001);
        end

        function begin(link)
            % The first words with a box: who it is, a session, its settings.
            link.starts = link.starts + 1;
            link.started = true;
            while link.started
                link.identify();
                link.begin_session();
            end
            settings = link.ask_again('settings_read', 40, []);
            gap_us = 1e6;  % the longest there is
            if ~isempty(settings)
                gap_us = settings.record.gap;
                link.settings = settings.record;
            end
            link.marker_due_s = link.OVERDUE_S + gap_us / 1e6;
            if ~isempty(settings) && settings.origin == 3
                warning('tallymark:factory', ['The settings that the box at %s has kept are those ' ...
                    'of another version of its firmware, so it started with the factory values. ' ...
                    'Look at them, and keep them again, with the command "tallymark settings".'], ...
                    link.port.where);
            end
            link.answer = [];  % nobody else has asked for it
        end

        function begin_session(link)
            link.session = 1 + mod(floor(now * 86400e6) + floor(rand * 2^32), 2^32 - 1);
            bytes = mod(floor(link.session ./ [1, 256, 65536, 16777216]), 256);
            answer = link.ask_again('session', 7, bytes);
            if isempty(answer) && ~link.started
                where = link.port.where;
                link.close();
                error('tallymark:nobox', ['The box at %s said who it is, and then did not answer. ' ...
                    'No marker was sent. Check its cable, and open it again.'], where);
            end
        end

        function answer = ask_again(link, name, type, body)
            % Asks up to TRIES times. answer: empty if none came, or the box has started again.
            for k = 1:link.TRIES
                tag = link.send_question(name, type, body);
                link.expect(tag);
                while link.query == tag && toc(link.born) < link.due_s(tag)
                    if ~link.receive()
                        pause(0.0005);
                    end
                end
                answer = link.answer;
                if link.query == tag
                    link.release(tag);
                end
                if ~isempty(answer) || link.started
                    break
                end
            end
        end

        function identify(link)
            % Asks who is there until the answer comes, and asks nothing else.
            link.give_up('');
            link.identity = [];
            link.checks = 0;
            link.missing = 0;
            until_s = toc(link.born) + link.IDENTIFY_S;
            link.put(0);  % closes whatever noise went before
            while isempty(link.identity)
                link.started = false;
                link.send('identify', 1, [2, 0]);
                next_s = toc(link.born) + link.OVERDUE_S + link.QUIET_S;
                while toc(link.born) < next_s && isempty(link.identity) && ~link.started
                    if ~link.receive()
                        pause(0.0005);
                    end
                    link.check_version();
                end
                if toc(link.born) > until_s
                    link.no_box();
                end
            end
            link.give_up('');  % releases the questions before the one that was answered
            link.tag = link.identity.newest_tag;
            link.silent = 0;
            link.box_time = uint64(0);
            link.clock.begin(link.identity.board, link.is_slewed());
            link.notice_numbers.begin(link.identity.last_notice);
        end

        function is_slewed = is_slewed(link) %#ok<MANU>
            % Whether a time service may change the rate of TOC: Octave's follows the time of day.
            is_slewed = exist('OCTAVE_VERSION', 'builtin') ~= 0 || isunix() && ~ismac();
        end

        function check_version(link)
            major = link.version_refused;
            if ~isnan(major)
                link.close();
                error('tallymark:version', ['The box at %s speaks version %d of the protocol, ' ...
                    'and this program version 2. No marker was sent. Update the older one.'], ...
                    link.port.where, major);
            end
        end

        function no_box(link)
            where = link.port.where;
            noise = link.decoder.frames + link.decoder.frames_broken > 0;
            link.close();
            if noise
                hint = 'Something answers there, but not as a box.';
            else
                hint = 'No valid message was received from there.';
            end
            error('tallymark:nobox', ['No box answered at %s within %d seconds. %s No marker ' ...
                'was sent. Is it the right port, and does the board have the firmware?'], ...
                where, link.IDENTIFY_S, hint);
        end

        function lose(link, problem)
            % The connection is gone, and with it every answer that had not come.
            link.is_open = false;
            link.port.close();
            left = link.give_up('The connection to the box was lost.');
            if ~isempty(link.log)
                link.log.note(sprintf('The connection to the box was lost (%s).', problem.message));
            end
            error('tallymark:connection', ['The connection to %s was lost (%s). Unconfirmed, which ' ...
                'means that it is not known whether they went out: %s. The box ends a pulse by ' ...
                'itself, but a held code stays and a sequence goes on. Look for these markers ' ...
                'in the recording, check cable and power, and open the box again.'], ...
                link.port.where, problem.message, or_none(left));
        end
    end
end

function bytes = four_bytes(value)
bytes = mod(floor(value ./ [1, 256, 65536, 16777216]), 256);
end

function words = or_none(words)
if isempty(words)
    words = 'none';
end
end
