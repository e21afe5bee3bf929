classdef Reader < handle
%READER  Takes what comes in from a box: answers to their requests, notices to those that they concern.
    properties (SetAccess = private)
        decoder             % counts good and broken frames
        ignored_short = 0   % messages that were too short
        ignored_late = 0    % answers that no open request has
        version_refused = NaN    % the box speaks only this other version of the protocol
        answer = []         % to the question that was given to EXPECT; empty: none came
    end
    properties
        started = false     % the box said that it has started ...
        forgotten = ''      % ... and these markers were open, in words
        sequence_ended = [] % last notice of that name
    end
    properties (Access = private)
        port
        window
        accepted
        outcomes
        background
        recovery
        notice_numbers
        in_session = false  % the newest message said that a session is in force
        answer_to = 0       % tag of the question for whose answer a caller waits
    end

    methods
        function reader = Reader(window, accepted, outcomes, background, recovery)
            reader.port = window.port;
            reader.window = window;
            reader.accepted = accepted;
            reader.outcomes = outcomes;
            reader.background = background;
            reader.recovery = recovery;
            reader.decoder = tallymark.Decoder();
            reader.notice_numbers = tallymark.NoticeNumbers();
        end

        function begin(reader, identity)
            %BEGIN  The box was identified.
            reader.notice_numbers.begin(identity.last_notice);
            reader.in_session = false;
        end

        function expect(reader, tag)
            %EXPECT  Keeps the answer to this question, whatever is asked besides until it is looked
            %   at. 0: no answer is kept any more.
            reader.answer_to = tag;
            reader.answer = [];
        end

        function found = receive(reader)
            %RECEIVE  Takes in what has come; never waits. found: whether anything has.
            try
                bytes = reader.port.read();
            catch problem
                reader.window.lose(problem);
            end
            found = ~isempty(bytes);
            if found
                messages = reader.decoder.feed(bytes);
                for k = 1:numel(messages)
                    message = messages{k};
                    reader.take(message(1), message(2), message(3:end));
                end
            end
        end

        function drop_stale(reader)
            %DROP_STALE  Drops what has come, which is of an earlier program.
            try
                reader.port.read();
            catch problem
                reader.window.lose(problem);
            end
            pause(0.001);
        end
    end

    methods (Access = private)
        function take(reader, type, tag, body)
            window = reader.window;
            window.heard_s = toc(window.born);
            if isempty(window.identity) && ~reader.is_greeting(type, tag, body)
                return  % whatever comes before the box is known
            end
            type = reader.base_type(type);
            layout = tallymark.layouts(type);
            is_known = ~isempty(layout) && ~strcmp(layout.kind, 'request');
            values = [];
            if is_known
                values = tallymark.get_fields(layout.fields, body);
                if isempty(values)
                    reader.ignored_short = reader.ignored_short + 1;
                end
            end
            if type >= 192 && ~reader.count_notice(type, tag)
                return  % the link has repeated it
            elseif isempty(values)
                return  % too short, or of a later version
            elseif strcmp(layout.kind, 'notice')
                reader.take_notice(layout.name, values);
            elseif tag == 0 || isempty(window.entries{tag})
                reader.ignored_late = reader.ignored_late + 1;
            else
                reader.take_answer(tag, layout, values);
            end
        end

        function base = base_type(reader, type)
            % The type of a message without the bit of a session in force. A start ends the session: what
            % comes without that bit, after a message with it, is from a box that has started again.
            base = type;
            if type >= 128 && mod(floor(type / 32), 2) == 1
                base = type - 32;
                reader.in_session = true;
            elseif reader.in_session && type ~= 131  % identity never has it
                reader.in_session = false;
                if type ~= 192  % which tells it by itself
                    reader.notice_numbers.started_unheard();
                    reader.take_start(6);
                end
            end
        end

        function fits = is_greeting(reader, type, tag, body)
            % Whether a message belongs to the first words with a box. The first two bytes of its
            % identity are the same in all versions.
            fits = type == 192 || (type == 130 || type == 131) && tag > 0 ...
                && ~isempty(reader.window.entries{tag});
            if fits && type == 131 && numel(body) >= 2 && body(1) ~= 2
                reader.version_refused = body(1);
                fits = false;
            end
        end

        % Answers ---------------------------------------------------------------------------

        function take_answer(reader, tag, layout, values)
            % A message with the tag of an open request.
            window = reader.window;
            entry = window.entries{tag};
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
                reader.ignored_late = reader.ignored_late + 1;
                return
            end
            if ~strcmp(request, 'identify')  % which does not show that the box followed the tags
                window.answered(tag);
            end
            if isfield(values, 'time') && layout.type ~= 134  % a fate has a time of the past
                if values.time < window.since(tag)  % box time never goes back
                    reader.take_start(6);
                    return
                end
                if ~strcmp(request, 'sequence_start')  % whose first edge may be still to come
                    window.box_time = max(window.box_time, values.time);
                    if window.clock.tells_more(window.sent_s(tag), window.heard_s)
                        window.clock.add(window.sent_s(tag), double(values.time), window.heard_s);
                    end
                end
            end
            is_oldest = tag == window.oldest;
            if is_marker
                is_over = reader.take_outcome(entry, tag, layout.name, values);
            else
                reader.take_reply(tag, request, layout.name, values);
                is_over = true;
            end
            if is_over && ~isempty(window.entries{tag})
                window.release(tag);
                if ~is_oldest
                    reader.recovery.suspect(tag);
                end
            end
        end

        function is_over = take_outcome(reader, marker, tag, name, values)
            % The answer to a marker request.
            is_over = true;
            switch name
                case 'done'
                    reader.outcomes.done(marker, values.time);
                case 'done_noted'
                    marker.note(values.lasted, values.delay, values.notes);
                    reader.outcomes.done(marker, values.time);
                case 'accepted'
                    reader.recovery.accept(marker, values.number, reader.window.since(tag), false);
                case 'refused'
                    if values.reason == 5  % an earlier copy may have arrived, its answer been lost
                        reader.recovery.doubt(tag);
                        is_over = false;
                        return
                    elseif values.reason == 19
                        marker.note(values.detail, 0, 0);
                    end
                    reader.outcomes.refuse(marker, values.reason, values.detail);
            end
        end

        function take_reply(reader, tag, request, name, values)
            % The answer to a request that is no marker.
            refused = strcmp(name, 'refused');
            switch request
                case 'identify'
                    if refused
                        reader.version_refused = values.detail;
                    elseif isempty(reader.window.identity)
                        reader.window.identity = values;
                    elseif reader.background.compare(values)
                        reader.take_start(6);
                    end
                case 'fate_of_number'
                    reader.recovery.take_number_fate(values, refused);
                case 'fate'
                    reader.recovery.take_fate(values, refused);
                otherwise
                    if strcmp(name, 'counters')
                        reader.miss(reader.notice_numbers.compare(values.notices));
                    end
                    if tag == reader.answer_to
                        reader.answer = values;
                    end
            end
        end

        function miss(reader, count)
            % Notices did not arrive: the ends of markers ahead may be among them.
            if count > 0
                reader.background.miss(count);
                reader.accepted.doubt();
            end
        end

        % Notices ---------------------------------------------------------------------------

        function is_new = count_notice(reader, type, number)
            if type == 192
                reader.notice_numbers.started(number);
                is_new = true;
            else
                lost = reader.notice_numbers.came(number);
                is_new = lost >= 0;
                reader.miss(max(0, lost));
            end
        end

        function take_notice(reader, name, values)
            switch name
                case 'started'
                    reader.take_start(values.cause);
                case 'sequence_ended'
                    reader.sequence_ended = values;
                case 'marker_edge'
                    marker = reader.accepted.take(values.number);
                    if ~isempty(marker)  % otherwise its end was known before
                        reader.recovery.end_ahead(marker, values, values.reason > 0);
                    end
                case 'byte_marker'
                    reader.note_byte(values);
                case 'hold_ended'
                    if ~isempty(reader.outcomes.log)
                        reader.outcomes.log.hold_ended(values.code, double(values.time), ...
                            reader.window.clock);
                    end
                    warning('tallymark:holdended', ['The box took the lines to idle, because ' ...
                        'nothing came for as long as its hold limit: code %d was on the lines ' ...
                        'until box time %.0f us. Set it again if it should be there.'], ...
                        values.code, double(values.time));
            end
        end

        function take_start(reader, cause)
            % The box has started again: it knows nothing of what was open. cause: 6 is unknown.
            left = reader.window.give_up('The box started again and forgot it.');
            if ~isempty(reader.outcomes.log) && ~reader.started
                reader.outcomes.log.restarted(cause);
            end
            reader.started = true;
            reader.window.settings = [];  % those that the box keeps are in force
            if isempty(reader.forgotten)
                reader.forgotten = left;
            elseif ~isempty(left)
                reader.forgotten = [reader.forgotten, ', ', left];
            end
        end

        function note_byte(reader, values)
            % A byte came in on the byte input. Only a log takes note of it.
            if isempty(reader.outcomes.log)
                return
            end
            settings = reader.window.settings;
            why = '';
            width_us = NaN;
            if values.reason > 0
                why = tallymark.reason_label(values.reason);
            elseif isempty(settings)
                width_us = 0;  % not known
            elseif values.byte > 0 && settings.byte_mode ~= 2
                width_us = settings.width;
            end
            reader.outcomes.log.byte(values, why, width_us, reader.window.clock);
        end
    end
end
