classdef AnswerRecovery < handle
%ANSWERRECOVERY  Answers that don't come. No marker is ever sent again: the box is asked for the fate of
%   each, by its tag or, once it was accepted, by its number (PROTOCOL.md, 3.3, 3.4 and 6.1).
    properties (Constant)
        FATE_TRIES = 2      % a question may get lost too; asking again moves no line
    end
    properties (Access = private)
        window
        accepted
        outcomes
        background
        asked = 0           % tag that the last question for a fate was about
        asked_number = 0    % number that the last question for the fate of a number was about
        doubted_s = zeros(1, 255) % by tag: when its fate was asked for first
    end

    methods
        function recovery = AnswerRecovery(window, accepted, outcomes, background)
            recovery.window = window;
            recovery.accepted = accepted;
            recovery.outcomes = outcomes;
            recovery.background = background;
        end

        function look_after(recovery, late)
            %LOOK_AFTER  Does what is next for requests whose answers are overdue. late: their tags,
            %   in rising order.
            window = recovery.window;
            oldest = window.oldest;
            for tag = [late(late >= oldest), late(late < oldest)]
                entry = window.entries{tag};
                if isempty(entry)
                    continue  % another one's end was its end too
                elseif ~ischar(entry)
                    window.bytes(tag) = 0;
                    recovery.ask_fate(tag);
                    continue
                end
                window.release(tag);
                switch entry
                    case 'fate'
                        recovery.take_fate([], true);
                    case 'fate_of_number'
                        recovery.take_number_fate([], true);
                    case 'identify'
                        recovery.background.unanswered();
                end
            end
        end

        function suspect(recovery, tag)
            %SUSPECT  A request was answered. The box answers in the order of requests, but for
            %   markers that wait for their gap: an earlier one without an answer waits, or its
            %   answer is lost.
            window = recovery.window;
            earlier = window.oldest;
            while earlier > 0 && mod(tag - earlier, 255) < 128 && earlier ~= tag
                entry = window.entries{earlier};
                if ~isempty(entry) && ~ischar(entry) && ~window.waits(earlier)
                    recovery.doubt(earlier);
                end
                earlier = mod(earlier, 255) + 1;
            end
        end

        function doubt(recovery, tag)
            %DOUBT  The answer to a marker is missing: its fate has to be asked for.
            window = recovery.window;
            if ~isinf(window.due_s(tag))
                window.due_s(tag) = 0;
            end
        end

        function take_fate(recovery, fate, failed)
            %TAKE_FATE  The answer to the last question for a fate; failed: there was none.
            window = recovery.window;
            tag = recovery.asked;
            marker = window.entries{tag};
            if isempty(marker) || ischar(marker) || ~isinf(window.due_s(tag))
                return  % its own answer came first
            end
            if failed
                window.tries(tag) = window.tries(tag) + 1;
                window.due_s(tag) = 0;
                if window.tries(tag) == recovery.FATE_TRIES
                    recovery.despair(tag);
                end
                return
            end
            known = fate.outcome > 0 && fate.code == marker.code ...
                && (fate.outcome == 2 || fate.time >= window.since(tag));
            if fate.outcome == 4 && fate.code == marker.code && ~isnan(marker.at_us)
                recovery.accept(marker, fate.number, window.since(tag), true);
                window.release(tag);
            elseif ~known || fate.outcome > 3
                recovery.unconfirm(tag, ['The box has no record of it: most likely its request was ' ...
                    'lost.']);
                recovery.background.check_session();
            elseif fate.outcome == 2
                window.waits(tag) = true;
                window.tries(tag) = 0;
                window.due_s(tag) = toc(window.born) + window.marker_due_s;
            else
                marker.note(fate.lasted, fate.delay, fate.notes);
                if fate.outcome == 1
                    recovery.outcomes.done(marker, fate.time);
                else
                    recovery.outcomes.refuse(marker, fate.reason, NaN);
                end
                window.release(tag);
            end
        end

        % Markers that the box has accepted for a later time -----------------------------------

        function accept(recovery, marker, number, since, is_late)
            %ACCEPT  The box has accepted a marker. is_late: that is known late, so that it is asked at
            %   once what became of it.
            due_s = 0;
            if ~is_late
                due_s = recovery.told_by_s(marker.at_us);
            end
            twin = recovery.accepted.accept(marker, number, since, due_s);
            recovery.outcomes.accepted(marker);
            if ~isempty(twin)  % numbers began anew
                recovery.outcomes.unconfirm(twin, 'The box started again before its time came.');
                recovery.background.check_session();
            end
        end

        function end_ahead(recovery, marker, values, is_refused)
            %END_AHEAD  The box has told the end of a marker by its number. values: those of
            %   `marker_edge`, or of `fate`. It goes out at its time, but for the delay that is told.
            early_us = marker.at_us - (double(values.time) - double(values.delay));
            if is_refused || mod(early_us, 2^32) == 0
                recovery.outcomes.ended(marker, values, is_refused);
            else
                recovery.outcomes.unconfirm(marker, ['The box told an edge by its number that is not ' ...
                    'at its time, and so that of another marker. It was not sent again. Look for it ' ...
                    'in the recording.']);
                recovery.background.check_session();
            end
        end

        function ask_number(recovery)
            %ASK_NUMBER  Asks for the fate of the one that is overdue for longest, if there is room.
            window = recovery.window;
            if window.query == 0 && window.has_room(10, false)
                number = recovery.accepted.overdue(toc(window.born));
                if number > 0
                    window.send_question('fate_of_number', 8, four_bytes(number));
                    recovery.asked_number = number;
                end
            end
        end

        function take_number_fate(recovery, fate, failed)
            %TAKE_NUMBER_FATE  The answer to that question; failed: there was none.
            number = recovery.asked_number;
            accepted = recovery.accepted;
            [marker, since] = accepted.lookup(number);
            if isempty(marker)
                return  % its end was told meanwhile
            elseif failed
                if accepted.asked_in_vain(number) == recovery.FATE_TRIES
                    accepted.take(number);
                    recovery.outcomes.unconfirm(marker, ['Its end was not told, and the box does not ' ...
                        'answer. It was not sent again. Look for it in the recording; check the ' ...
                        'cable.']);
                end
                return
            end
            is_known = fate.code == marker.code && fate.time >= since;
            if is_known && fate.outcome == 4
                accepted.wait_until(number, recovery.told_by_s(double(fate.time)));
                return
            end
            accepted.take(number);
            if is_known && any(fate.outcome == [1, 3])
                recovery.end_ahead(marker, fate, fate.outcome == 3);
            else
                recovery.outcomes.unconfirm(marker, ['The box has no record of it any more. Look for ' ...
                    'it in the recording.']);
                recovery.background.check_session();
            end
        end
    end

    methods (Access = private)
        function ask_fate(recovery, tag)
            % Asks what became of a marker, when no other question is on its way.
            window = recovery.window;
            if ~window.can_ask_fate(tag)
                recovery.unconfirm(tag, 'Too many requests followed for the box to remember it.');
                return
            elseif window.query ~= 0 || sum(window.bytes) + 7 > window.identity.window
                return  % later: it stays overdue
            end
            if window.tries(tag) == 0
                recovery.doubted_s(tag) = toc(window.born);
            end
            window.due_s(tag) = Inf;
            recovery.asked = tag;
            window.send_question('fate', 5, tag);
        end

        function despair(recovery, tag)
            % No answer to the second question either. If nothing at all came since the first one,
            % the other markers are not asked for: that would take minutes.
            window = recovery.window;
            tags = tag;
            if window.heard_s < recovery.doubted_s(tag)
                is_marker = ~cellfun('isempty', window.entries) ...
                    & ~cellfun('isclass', window.entries, 'char');
                tags = find(is_marker & window.due_s < toc(window.born));
            end
            for tag = tags
                recovery.unconfirm(tag, 'Neither its answer nor one about its fate came.');
            end
        end

        function unconfirm(recovery, tag, why)
            recovery.outcomes.unconfirm(recovery.window.entries{tag}, ...
                [why, ' It was not sent again. Look for it in the recording; check the cable.']);
            recovery.window.release(tag);
        end

        function time_s = told_by_s(recovery, box_us)
            % When the end of a marker is overdue whose edge is to be at that box time.
            window = recovery.window;
            [edge_s, bound_s] = window.clock.to_host(box_us);
            time_s = max(toc(window.born), edge_s + bound_s) + window.OVERDUE_S;
        end
    end
end

function bytes = four_bytes(value)
bytes = mod(floor(value ./ [1, 256, 65536, 16777216]), 256);
end
